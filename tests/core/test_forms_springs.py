"""Chains swing the same however the motion is written that carries them."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import forms
import open_data
from form_results import Seen, seen
from spring_bodies import ends_of, with_chains
from takemill.base.checks import Array
from takemill.body.body_map import find_body_map
from takemill.springs.springs import Springs
from takemill.springs.springs_found import find_chains
from takemill.springs.swing import swing

pytestmark = pytest.mark.once

NEAR_M = 0.0005  # a rest pose that was lost is found again but for the tilt of the hips


@cache
def original() -> forms.Plain:
    """A walk with a tail, an ear and a strap, all of which are found by their names."""
    motion = open_data.repeated(open_data.humanoid3d("walk")[0], 3)
    return forms.plain(with_chains(motion, find_body_map(motion.skeleton))[0])


def swung(what: Seen) -> Array:
    """Where the chains' bones end (F, N, 3)."""
    motion, body, _ = what.read
    chains = sorted(find_chains(motion.skeleton, body), key=lambda one: one.name)
    assert len(chains) == 3
    springs = Springs(tuple(chains))
    (found,) = swing([motion], [False], springs)
    return ends_of(motion, springs, found.rotations)


@cache
def wanted() -> Array:
    return swung(seen(original()))


def test_they_swing():
    motion, body, _ = seen(original()).read
    springs = Springs(tuple(sorted(find_chains(motion.skeleton, body), key=lambda one: one.name)))
    joints = [one.joint for chain in springs.chains for one in chain.joints]
    held = ends_of(motion, springs, motion.rotations[:, joints])
    assert np.linalg.norm(wanted() - held, axis=-1).max() > 0.05


@pytest.mark.parametrize("pose", list(forms.POSES))
def test_in_any_rest_pose(pose):
    parts = find_body_map(open_data.humanoid3d("walk")[0].skeleton).joints
    rested = forms.resting(original(), forms.POSES[pose](original(), parts))
    assert np.abs(swung(seen(rested)) - wanted()).max() < NEAR_M


@pytest.mark.parametrize(
    "writing",
    [{"unit": "m", "up": "Z"}, {"unit": "mm", "up": "X"}, {"unit": "cm", "up": "-Y"}],
    ids=["m Z", "mm X", "cm -Y"],
)
def test_in_any_unit_and_axis(writing):
    assert np.abs(swung(seen(original(), **writing)) - wanted()).max() < 1e-5
