"""The labelled takes that measure suggested cuts give no end of an action away."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from labelled_guards import RATE
from labelled_takes import LabelledTake, labelled_take
from sliding import sliding_cm_s
from takemill.feet.contacts import find_contacts


@pytest.fixture(scope="module", params=[True, False], ids=["rests", "no rests"])
def take(request: pytest.FixtureRequest) -> LabelledTake:
    return labelled_take(4, 4, ("punch", "walk", "gesture", "turn"), rests=request.param)


def test_joins_jerk_no_more_than_the_actions_themselves(take: LabelledTake) -> None:
    """The largest acceleration of a joint within a quarter second of an end, against all other frames."""
    places = take.motion.model()[1]
    acceleration = np.linalg.norm(np.diff(places, 2, axis=0), axis=-1).max(axis=1)
    near = np.zeros(len(acceleration), bool)
    for label in take.labels:
        for end in (label.start, label.stop):
            near[max(0, end - round(RATE / 4)) : end + round(RATE / 4)] = True
    assert np.percentile(acceleration[near], 99) < 1.2 * np.percentile(acceleration[~near], 99)


def test_feet_of_guards_stand_still(take: LabelledTake) -> None:
    contacts = find_contacts(take.motion, take.body)
    first = take.labels[0].start
    sliding = sliding_cm_s(take.motion.slice(0, first), take.body, contacts.sliced(0, first))
    assert np.median(sliding) < 0.1


def test_labels_are_in_order_and_each_action_is_there_once(take: LabelledTake) -> None:
    assert all(before.stop <= after.start for before, after in pairwise(take.labels))
    assert sorted(label.kinds[0] for label in take.labels) == ["gesture", "locomotion", "strike", "turn"]
    assert take.labels[-1].stop + 2 * RATE <= len(take.motion) + 1


def test_a_seed_gives_one_take(take: LabelledTake) -> None:
    del take
    first, second = (labelled_take(9, 1, ("kick",)) for _ in range(2))
    assert np.array_equal(first.motion.rotations, second.motion.rotations)
    assert first.labels == second.labels
    assert first.labels[0].limbs in (("rightFoot",), ("leftFoot",))
