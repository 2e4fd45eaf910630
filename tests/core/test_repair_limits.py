"""What a repair leaves alone that is limited to joints or to stretches of a take."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import synthetic
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.maths import quat
from takemill.maths.series import derivative
from takemill.repair.repair import RepairSettings, repair

CLEAN = synthetic.walk(steps=10).motion
BODY = BodyMap.from_names(CLEAN.skeleton, synthetic.parts())
RAW = corrupt.corrupt(CLEAN, 5).motion
LEGS = [
    CLEAN.skeleton.index(f"{side}_{part}")
    for side in ("left", "right")
    for part in ("upper_leg", "lower_leg", "foot")
]


def turned_deg(settings: RepairSettings) -> Array:
    """How far (F, J) a repair turns the joints of the damaged walk."""
    return np.degrees(quat.angle_between(repair(RAW, BODY, settings)[0].rotations, RAW.rotations))


def slip_cm_s(motion: Motion, first: int, last: int) -> float:
    """Mean speed of the stiller end of planted feet, within some frames."""
    contacts = find_contacts(motion, BODY)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    speed = np.linalg.norm(derivative(foot_points(motion, BODY), motion.rate)[..., :2], axis=-1)
    stiller = np.where(planted, speed, np.inf).min(axis=-1)[first:last]
    return 100 * float(stiller[np.isfinite(stiller)].mean())


def test_one_joint_alone_is_mended() -> None:
    """Of the other joints none turns in its parent; the root turns with the whole body's heading."""
    turned = turned_deg(RepairSettings(joints=("head",))).max(axis=0)
    assert set(np.flatnonzero(turned > 1e-6)) <= {0, CLEAN.skeleton.index("head")}
    assert turned[CLEAN.skeleton.index("head")] > 1


def test_feet_are_pinned_when_both_are_among_the_joints() -> None:
    legs = tuple(CLEAN.skeleton.names[j] for j in LEGS)
    off = RepairSettings(frozen=False, spikes=False, jitter=False)
    assert turned_deg(replace(off, joints=legs))[:, LEGS].max() > 0.1
    one = tuple(name for name in legs if name.startswith("left"))
    assert turned_deg(replace(off, joints=one))[:, LEGS].max() < 1e-6


@pytest.mark.parametrize("steps", ["sensors", "feet", "all"])
def test_only_the_stretch_is_mended(steps: str) -> None:
    first, last = 2.0, 4.0
    on = {"frozen": steps != "feet", "spikes": steps != "feet", "jitter": steps != "feet"}
    settings = RepairSettings(**on, pin=steps != "sensors", ranges_s=((first, last),))
    turned = turned_deg(settings)[:, 1:]
    fade = settings.pinning.blend_s if steps != "sensors" else 0.0
    time = np.arange(len(RAW)) / RAW.rate
    outside = (time < first - fade) | (time > last + fade)
    assert turned[outside].max() < 1e-6
    assert turned[~outside].max() > 1
    assert turned[int(first * RAW.rate) + 20 : int(last * RAW.rate) - 20].max(axis=1).min() > 0


def test_feet_stand_still_in_the_stretch() -> None:
    settings = RepairSettings(ranges_s=((2.0, 4.0),))
    repaired, _ = repair(RAW, BODY, settings)
    inside = slip_cm_s(repaired, round(2.2 * RAW.rate), round(3.8 * RAW.rate))
    assert inside < 0.3 * slip_cm_s(RAW, round(2.2 * RAW.rate), round(3.8 * RAW.rate))
    assert inside < slip_cm_s(repaired, round(4.4 * RAW.rate), len(RAW))


def test_what_is_accepted_stays_as_it_came() -> None:
    """One joint in one stretch; half a second away, and at other joints, the repair is as without it."""
    joint, first, last = "left_lower_arm", 2.0, 4.0
    number, time = CLEAN.skeleton.index(joint), np.arange(len(RAW)) / RAW.rate
    whole = turned_deg(RepairSettings())
    left = turned_deg(RepairSettings(leave_s=((joint, first, last),)))
    inside = (time >= first) & (time <= last)
    assert whole[inside, number].max() > 1
    assert left[inside, number].max() < 1e-6
    away = (time < first - 0.5) | (time > last + 0.5)
    np.testing.assert_allclose(left[away, number], whole[away, number], atol=1e-6)
    others = [k for k in range(len(CLEAN.skeleton)) if k != number]
    np.testing.assert_allclose(left[:, others], whole[:, others], atol=1e-6)
    _, found = repair(RAW, BODY, RepairSettings(leave_s=((joint, first, last),)))
    there = [one for one in found if one.joint == joint and first * RAW.rate <= one.start < last * RAW.rate]
    assert there
    assert not any(one.repaired for one in there if one.stop <= last * RAW.rate)
    assert any(one.repaired for one in found if one.joint == joint and one not in there)


def test_a_foot_that_is_accepted_is_not_pinned_there_and_the_other_is() -> None:
    """The leg of the accepted foot stays as it came, thigh and shin too where all of them are left."""
    off = RepairSettings(frozen=False, spikes=False, jitter=False, dropouts=False, late_sensors=False)
    off = replace(off, slips=False, sensor_heading=False)
    time = np.arange(len(RAW)) / RAW.rate
    inside = (time > 2.0) & (time < 4.0)
    turned = turned_deg(replace(off, leave_s=(("left_foot", 2.0 - 0.3, 4.0 + 0.3),)))
    left, right = LEGS[:3], LEGS[3:]
    assert turned_deg(off)[inside][:, left].max() > 0.1
    assert turned[inside][:, left].max() < 1e-6
    assert turned[inside][:, right].max() > 0.1


def test_all_joints_that_are_accepted_stay_as_they_came() -> None:
    turned = turned_deg(RepairSettings(leave_s=(("", 1.5, 4.5),)))[:, 1:]
    time = np.arange(len(RAW)) / RAW.rate
    assert turned[(time > 1.8) & (time < 4.2)].max() < 1e-6  # beside it the pins of feet come and go
    assert turned.max() > 1


def test_a_part_of_the_repair_lies_between_raw_and_repaired() -> None:
    """Each joint turns half as far, and the path goes half the way; nothing at 0, all at 1."""
    whole, found = repair(RAW, BODY)
    half, same = repair(RAW, BODY, RepairSettings(amount=0.5))
    none, _ = repair(RAW, BODY, RepairSettings(amount=0.0))
    assert same == found
    far = quat.angle_between(whole.rotations, RAW.rotations)
    np.testing.assert_allclose(quat.angle_between(half.rotations, RAW.rotations), far / 2, atol=1e-9)
    np.testing.assert_allclose(quat.angle_between(half.rotations, whole.rotations), far / 2, atol=1e-9)
    np.testing.assert_allclose(half.root_translation, (RAW.root_translation + whole.root_translation) / 2)
    np.testing.assert_allclose(none.rotations, RAW.rotations, atol=1e-15)
    np.testing.assert_array_equal(none.root_translation, RAW.root_translation)
    assert far.max() > 0.1


@pytest.mark.parametrize(
    ("settings", "message"),
    [
        (RepairSettings(amount=1.5), "amount: expected 0 to 1, got 1.5"),
        (RepairSettings(leave_s=(("nose", 1.0, 2.0),)), "nose"),
        (RepairSettings(leave_s=(("head", 2.0, 2.0),)), "leave_s: expected 0 <= start < stop"),
    ],
)
def test_a_limit_that_means_nothing_is_refused(settings: RepairSettings, message: str) -> None:
    with pytest.raises(InputError, match=message):
        repair(RAW, BODY, settings)
