from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import open_data
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def error_deg(a: Motion, b: Motion) -> float:
    """RMS over joints and frames of local rotations, degrees."""
    return float(np.degrees(np.sqrt(np.mean(quat.angle_between(a.rotations, b.rotations) ** 2))))


SENSORS = corrupt.Damage(heading_deg_per_min=0, path_drift=0)
SENSORS_ONLY = RepairSettings(heading=False, path=False, floor=False, pin=False)


@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick", "spinkick", "jump"])
def test_real_motion_comes_back_from_damage(name: str) -> None:
    clean = open_data.humanoid3d(name)[0].resampled(120.0)
    damaged = corrupt.corrupt(clean, 1, SENSORS).motion
    body = find_body_map(clean.skeleton)
    repaired, _ = repair(damaged, body, SENSORS_ONLY)
    assert len(repaired) == len(clean)
    assert repaired.rate == clean.rate
    assert repaired.skeleton is clean.skeleton
    assert error_deg(repaired, clean) < 0.6 * error_deg(damaged, clean)
    assert error_deg(repaired, clean) < 1.0


@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick", "spinkick"])
def test_clean_motion_stays_clean(name: str) -> None:
    clean = open_data.humanoid3d(name)[0].resampled(120.0)
    repaired, findings = repair(clean, find_body_map(clean.skeleton))
    assert error_deg(repaired, clean) < 0.1
    flagged = sum(f.stop - f.start for f in findings if f.kind in ("spike", "frozen"))
    assert flagged <= clean.rotations[..., 0].size / 2000


def test_findings_name_joint_and_frames() -> None:
    motion = synthetic.walk().motion
    elbow = motion.skeleton.index("left_lower_arm")
    rng = np.random.default_rng(3)
    rotations = quat.mul(
        motion.rotations, quat.exp(0.004 * rng.normal(size=(*motion.rotations.shape[:2], 3)))
    )
    rotations[300:302, elbow] = quat.mul(rotations[300:302, elbow], quat.exp(np.array([0.5, 0, 0])))
    rotations[500:509, elbow] = rotations[499, elbow]
    rotations[600:680, elbow] = rotations[599, elbow]
    _, findings = repair(motion.with_rotations(rotations), body_of(motion))
    ours = [f for f in findings if f.kind in ("spike", "frozen")]
    assert [(f.kind, f.joint, f.start, f.stop, f.repaired) for f in ours] == [
        ("spike", "left_lower_arm", 300, 302, True),
        ("frozen", "left_lower_arm", 500, 509, True),
        ("frozen", "left_lower_arm", 600, 680, False),
    ]
    assert ours[0].amount == pytest.approx(np.degrees(0.5), abs=2)
    assert "longest bridge" in ours[2].message


def test_a_raised_take_is_set_on_the_floor() -> None:
    motion = synthetic.walk().motion
    raised = motion.with_translation(0, motion.root_translation + np.array([0, 0, 0.2]))
    repaired, findings = repair(raised, body_of(motion))
    assert np.abs(repaired.root_translation - motion.root_translation).max() < 0.01
    (floor,) = [f for f in findings if f.kind == "floor_offset"]
    assert (floor.start, floor.stop) == (0, len(raised))
    assert floor.amount == pytest.approx(200, abs=3)
    assert floor.repaired


def test_each_step_can_be_switched_off_and_joints_left_out() -> None:
    clean = synthetic.walk().motion
    damaged = corrupt.corrupt(clean, 5, SENSORS).motion
    body = body_of(clean)
    off = replace(SENSORS_ONLY, frozen=False, spikes=False, jitter=False)
    same, findings = repair(damaged, body, off)
    assert np.abs(same.rotations - damaged.rotations).max() < 1e-12
    assert np.abs(same.root_translation - damaged.root_translation).max() < 1e-12
    assert findings == ()
    only, _ = repair(damaged, body, replace(SENSORS_ONLY, joints=("head",)))
    moved = quat.angle_between(only.rotations, damaged.rotations).max(axis=0)
    assert np.flatnonzero(moved > 1e-9).tolist() == [clean.skeleton.index("head")]


def test_bad_settings_are_named() -> None:
    motion = synthetic.idle().motion
    for bad, word in (
        (RepairSettings(joints=("tentacle",)), "tentacle"),
        (RepairSettings(longest_bridge_s=0), "longest_bridge_s"),
        (RepairSettings(frozen_min_frames=2), "frozen_min_frames"),
    ):
        with pytest.raises(InputError, match=word):
            repair(motion, body_of(motion), bad)


def odd_takes() -> dict[str, Motion]:
    walk = corrupt.corrupt(synthetic.walk(steps=4).motion, 2).motion
    still = walk.sampled(np.zeros(300), 120.0)
    frozen = walk.rotations.copy()
    frozen[:, 12] = frozen[0, 12]
    lying = walk.rotations.copy()
    lying[:, 0] = quat.mul(quat.from_axis_angle(np.array([1.0, 0, 0]), np.pi / 2), lying[:, 0])
    swim = walk.root_translation + np.stack([np.sin(np.arange(len(walk)) / 9)] * 3, axis=-1) + [0, 0, 8]
    return {
        "one frame": walk.slice(0, 1),
        "two frames": walk.slice(0, 2),
        "shorter than the filter": walk.slice(0, 9),
        "all frames equal": still,
        "a joint frozen throughout": walk.with_rotations(frozen),
        "lying": walk.with_rotations(lying),
        "never on the floor": walk.with_translation(0, swim),
    }


@pytest.mark.parametrize("name", odd_takes())
def test_odd_takes_are_neither_thrown_about_nor_refused(name: str) -> None:
    motion = odd_takes()[name]
    before = motion.rotations.copy(), motion.root_translation.copy()
    repaired, _ = repair(motion, body_of(motion))
    assert np.array_equal(motion.rotations, before[0])
    assert np.array_equal(motion.root_translation, before[1])
    assert np.isfinite(repaired.rotations).all()
    away = repaired.root_translation - motion.root_translation
    assert np.abs(away - away[0]).max() < 0.5  # a new floor height is one constant
    assert np.abs(away[0, :2]).max() < 0.5


def test_a_take_without_feet_is_still_mended() -> None:
    clean = synthetic.walk().motion
    damaged = corrupt.corrupt(clean, 5, SENSORS).motion
    parts = {part: name for part, name in synthetic.parts().items() if not part.endswith(("Foot", "Toes"))}
    repaired, _ = repair(damaged, BodyMap.from_names(clean.skeleton, parts))
    assert error_deg(repaired, clean) < 0.7 * error_deg(damaged, clean)
