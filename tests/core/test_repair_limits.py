"""What a repair leaves alone that is limited to joints or to stretches of a take."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import synthetic
from takemill.base.checks import Array
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
