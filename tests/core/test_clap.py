"""A clap is found where the hands meet, between frames too, and nothing else is one."""

from __future__ import annotations

import numpy as np
import pytest

import hand_takes
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.clip.clap import find_claps

MEET_S = 1.5 + np.arange(5) - 0.03
"""When the hands of hand_takes.clap meet; they stay together for 0.06 s."""


@pytest.mark.parametrize("rate", [30.0, 47.0, 60.0, 120.0])
def test_claps_are_found_within_half_a_frame(rate):
    """All five, which are alike, each within half a frame of 30 a second, whatever the take's own rate."""
    take = hand_takes.clap(rate)
    found = np.sort(find_claps(take.motion, take.body))
    assert len(found) == 5
    assert np.abs(found - MEET_S).max() <= 0.5 / 30


@pytest.mark.parametrize("take", [hand_takes.hilt, hand_takes.hips])
def test_hands_that_never_meet_fast_are_no_clap(take):
    """Both on a hilt, or on the hips."""
    made = take()
    with pytest.raises(InputError, match="type the offset"):
        find_claps(made.motion, made.body)


def test_a_walk_has_no_clap():
    motion = synthetic.walk().motion
    with pytest.raises(InputError, match="no clap"):
        find_claps(motion, find_body_map(motion.skeleton))
