from __future__ import annotations

import numpy as np
import pytest

import corrupt
import synthetic
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.health.check import MEASURES, check
from takemill.maths import quat
from takemill.repair.repair import repair


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def test_a_clean_take_is_healthy() -> None:
    motion = synthetic.walk().motion
    health = check(motion, body_of(motion))
    assert [
        f for f in health.findings if f.kind in ("spike", "frozen", "jitter", "skating", "floor_offset")
    ] == []
    assert health.measures["spike_frames"] == health.measures["frozen_frames"] == 0
    assert health.measures["jitter_deg"] < 0.01
    assert health.measures["skating_cm_s"] < 1.0
    assert health.measures["floor_error_mm"] < 3.0
    assert 0.9 < health.measures["planted_share"] <= 1.0


def test_measures_are_the_damage_that_was_done() -> None:
    clean = synthetic.walk().motion
    damage = corrupt.Damage(white_deg=0.4, slow_deg=0, heading_deg_per_min=0, path_drift=0, floor_m=0.05)
    damaged = corrupt.corrupt(clean, 11, damage)
    health = check(damaged.motion, body_of(clean))
    found = health.measures
    assert found["spike_frames"] == pytest.approx(damaged.spikes.sum(), rel=0.02)
    assert found["frozen_frames"] == pytest.approx(damaged.frozen.sum(), rel=0.02)
    # Three axes of 0.4 degrees; a filter leaves a part of it.
    assert 0.85 * 0.4 * np.sqrt(3) < found["jitter_deg"] <= 0.4 * np.sqrt(3)
    assert found["floor_error_mm"] == pytest.approx(50, abs=8)
    assert {f.kind for f in health.findings} >= {"spike", "frozen", "jitter", "floor_offset"}
    assert all(not f.repaired for f in health.findings)


@pytest.mark.parametrize("up_m", [0.15, -0.1])
def test_a_take_off_the_floor_is_one_finding_of_its_whole_length(up_m: float) -> None:
    motion = synthetic.walk().motion
    lifted = motion.with_translation(0, motion.root_translation + np.array([0, 0, up_m]))
    (found,) = [f for f in check(lifted, body_of(motion)).findings if f.kind == "floor_offset"]
    assert (found.start, found.stop, found.repaired) == (0, len(motion), False)
    assert found.amount == pytest.approx(1000 * up_m, abs=3)
    assert f"{abs(found.amount):.0f} mm {'above' if up_m > 0 else 'below'} height 0" in found.message


def test_skating_is_the_speed_that_was_added() -> None:
    motion = synthetic.idle().motion
    drift = np.outer(np.arange(len(motion)) / motion.rate, [0.05, 0, 0])
    slid = motion.with_translation(0, motion.root_translation + drift)
    health = check(slid, body_of(motion))
    assert health.measures["skating_cm_s"] == pytest.approx(5.0, abs=0.1)
    assert {f.joint for f in health.findings if f.kind == "skating"} == {"left_foot", "right_foot"}


def test_repair_makes_the_measures_better() -> None:
    damaged = corrupt.corrupt(synthetic.walk().motion, 4).motion
    body = body_of(damaged)
    before = check(damaged, body).measures
    after = check(repair(damaged, body)[0], body).measures
    assert after["spike_frames"] + after["frozen_frames"] <= 0.05 * (
        before["spike_frames"] + before["frozen_frames"]
    )
    assert after["jitter_deg"] < 0.1 * before["jitter_deg"]
    assert after["floor_error_mm"] < before["floor_error_mm"]
    assert after["skating_cm_s"] < before["skating_cm_s"]


def test_dead_sensors_and_missing_feet_are_said() -> None:
    damaged = corrupt.corrupt(synthetic.walk(steps=4).motion, 4).motion
    rotations = damaged.rotations.copy()
    joint = damaged.skeleton.index("right_hand")
    rotations[:, joint] = rotations[0, joint]
    parts = {part: name for part, name in synthetic.parts().items() if not part.endswith(("Foot", "Toes"))}
    body = BodyMap.from_names(damaged.skeleton, parts)
    findings = check(damaged.with_rotations(rotations), body).findings
    assert [f.joint for f in findings if f.kind == "dead_sensor"] == ["right_hand"]
    (feet,) = [f for f in findings if f.kind == "no_feet"]
    assert "no foot is mapped" in feet.message


@pytest.mark.parametrize("frames", [1, 2, 7, 40])
def test_short_takes_are_checked(frames: int) -> None:
    motion = corrupt.corrupt(synthetic.walk(steps=2).motion, 1).motion.slice(0, frames)
    measures = check(motion, body_of(motion)).measures
    assert all(np.isfinite(value) for value in measures.values())


def test_drift_is_measured_before_and_gone_after() -> None:
    """Twelve degrees a minute, and a tenth of the way of a walk of 20 m in 25 seconds."""
    clean = synthetic.walk(steps=40).motion
    body = body_of(clean)
    damage = corrupt.Damage(spikes_per_min=0, frozen_per_min=0)
    damaged = corrupt.corrupt(clean, 2, damage).motion
    healths = [check(one, body) for one in (damaged, repair(damaged, body)[0])]
    kinds = [{one.kind for one in health.findings} & {"heading_drift", "path_drift"} for health in healths]
    assert kinds == [{"heading_drift", "path_drift"}, set()]
    before, after = (health.measures for health in healths)
    assert before["heading_drift_deg_min"] == pytest.approx(12, abs=2)
    walked = np.linalg.norm(np.diff(clean.root_translation[:, :2], axis=0), axis=1).sum()
    minutes = len(clean) / clean.rate / 60
    assert before["path_drift_cm_min"] == pytest.approx(100 * 0.1 * walked / minutes, rel=0.1)
    assert after["heading_drift_deg_min"] < 1
    assert after["path_drift_cm_min"] < 0.02 * before["path_drift_cm_min"]


def test_measures_are_those_that_are_documented() -> None:
    motion = synthetic.walk(steps=2).motion
    for take in (motion, motion.slice(0, 1)):
        assert set(check(take, body_of(motion)).measures) == set(MEASURES)


def test_frames_beyond_a_range_are_counted() -> None:
    motion = synthetic.idle().motion
    rotations = motion.rotations.copy()
    rotations[100:200, motion.skeleton.index("left_lower_leg")] = quat.exp(np.array([-1.0, 0, 0]))
    assert check(motion.with_rotations(rotations), body_of(motion)).measures["joint_limit_frames"] == 100
