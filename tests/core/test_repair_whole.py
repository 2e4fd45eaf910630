"""What a whole repair does with faults that concern many joints, the floor, or channels that are bad."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import bad_channels
import corrupt
import synthetic
from clean_takes import clean_take
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.health.check import check
from takemill.maths import quat
from takemill.repair import repair as stage
from takemill.repair import sensor_steps
from takemill.repair.repair import STEPS, RepairSettings, repair
from takemill.repair.sensor_steps import SENSOR_STEPS
from takemill.repair.state import RepairState
from takemill.sensors import denoise

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())


def test_a_suit_that_holds_its_breath_is_bridged_in_all_joints() -> None:
    """All sensors repeat themselves for 12 frames, as when packets are lost, with noise before and after."""
    clean = clean_take("walk")
    noise = quat.exp(np.radians(0.1) * np.random.default_rng(1).normal(size=(*clean.rotations.shape[:2], 3)))
    rotations = quat.mul(clean.rotations, noise)
    first, last = 301, 313
    rotations[first:last] = rotations[first - 1]
    raw = clean.with_rotations(rotations)
    repaired, findings = repair(raw, find_body_map(clean.skeleton))
    turned = quat.angle_between(clean.rotations[first - 1], clean.rotations[last]) > np.radians(3)
    moving = {name for name, moves in zip(clean.skeleton.names, turned, strict=True) if moves}
    assert len(moving) >= 6
    found = {one.joint: (one.start, one.stop, one.repaired) for one in findings if one.kind == "frozen"}
    assert {found.get(name) for name in moving} == {(first, last, True)}
    off = np.degrees(quat.angle_between(repaired.rotations, clean.rotations))[first:last, turned]
    held = np.degrees(quat.angle_between(rotations, clean.rotations))[first:last, turned]
    assert np.sqrt((off**2).mean()) < 0.5 * np.sqrt((held**2).mean())


def test_calming_has_no_phase() -> None:
    """The same take played backwards comes out the same, backwards."""
    clean = clean_take("punch")
    raw = corrupt.corrupt(clean, 2).motion
    for joint in (0, clean.skeleton.index("right_elbow")):
        track = np.ascontiguousarray(raw.rotations[:, joint])
        noise = denoise.noise_deviation(track) * 2
        ahead = denoise.denoise_rotations(track, raw.rate, noise)
        back = denoise.denoise_rotations(quat.continuous(track[::-1]), raw.rate, noise)[::-1]
        lag = np.degrees(quat.angle_between(ahead[1:], ahead[:-1])).max()  # of a filter late by one frame
        assert np.degrees(quat.angle_between(ahead, back)).max() < 0.05 * lag
        assert np.degrees(quat.angle_between(ahead, track)).max() > 0.3


def test_the_steps_stand_in_a_list_in_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """A repair is the steps of the two lists, one after the other, and nothing beside them."""
    assert [step.__name__ for step in STEPS] == [
        "repair_segment_faults", "repair_sensors", "remove_misalignment", "denoise_root",
        "find_missing_path", "find_bearing_contacts", "remove_heading_drift", "remove_path_drift",
        "level_floor", "pin_planted_feet",
    ]  # fmt: skip
    assert [step.__name__ for step in SENSOR_STEPS] == [
        "find_faults", "bridge_faults", "remove_noise", "bridge_long_gaps_again", "hold_hinge",
        "blend_into_raw",
    ]  # fmt: skip
    raw = corrupt.corrupt(synthetic.walk(steps=6).motion, 1).motion
    walked: list[str] = []

    def noted(step):
        def walk(state):
            walked.append(step.__name__)
            return step(state)

        return walk

    monkeypatch.setattr(stage, "STEPS", tuple(noted(step) for step in STEPS))
    monkeypatch.setattr(sensor_steps, "SENSOR_STEPS", tuple(noted(step) for step in SENSOR_STEPS))
    repair(raw, BODY, RepairSettings(joints=("head",)))
    first, second, *others = STEPS
    assert walked == [step.__name__ for step in (first, second, *SENSOR_STEPS, *others)]
    monkeypatch.setattr(stage, "STEPS", ())
    same, findings = repair(raw, BODY)
    assert np.abs(same.rotations - raw.rotations).max() < 1e-15
    assert not findings


def test_steps_change_no_state_and_those_that_are_off_give_it_back() -> None:
    """The arrays of a step's state stay as they were, byte for byte."""
    damage = corrupt.Damage(heading_deg_per_min=30)
    raw = corrupt.corrupt(synthetic.walk(steps=40).motion, 1, damage).motion
    settings = RepairSettings(calibration=True)
    state = RepairState(raw, BODY, settings, "suit", raw.rotations, raw.root_translation)
    changed = []
    for step in STEPS:
        before = [array.tobytes() for array in arrays_of(state)]
        after = step(state)
        assert [array.tobytes() for array in arrays_of(state)] == before, step.__name__
        if after is not state:
            changed.append(step.__name__)
        state = after
    # No sensor of this take fails for long, and it has its path.
    idle = ("repair_segment_faults", "find_missing_path", "level_floor")
    assert changed == [step.__name__ for step in STEPS if step.__name__ not in idle]
    sensors = ("dropouts", "late_sensors", "slips", "sensor_heading", "frozen", "spikes", "jitter")
    off = dict.fromkeys((*sensors, "heading", "path", "floor", "pin"), False)
    state = replace(state, settings=RepairSettings(**off))
    for step in STEPS:
        if step.__name__ not in ("repair_sensors", "find_bearing_contacts"):
            assert step(state) is state, step.__name__
    as_it_came = replace(state, rotations=raw.rotations)
    assert np.array_equal(STEPS[1](as_it_came).rotations, raw.rotations)


def arrays_of(state: RepairState) -> list[Array]:
    legs = [] if state.lower is None else [state.lower.motion.rotations, state.lower.motion.root_translation]
    return [state.raw.rotations, state.raw.root_translation, state.rotations, state.root, *legs]


def test_a_sensor_is_bridged_and_calmed_in_its_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of one joint: gaps are filled, then it is calmed, as without its steps' names."""
    raw = corrupt.corrupt(synthetic.walk(steps=6).motion, 1).motion
    hit = next(one.joint for one in repair(raw, BODY)[1] if one.kind == "spike")
    calls: list[str] = []
    for module, name in ((sensor_steps.gaps, "fill"), (denoise, "denoise_rotations")):
        was = getattr(module, name)

        def noted(*given, was=was, name=name, **named):
            calls.append(name)
            return was(*given, **named)

        monkeypatch.setattr(module, name, noted)
    repair(raw, BODY, RepairSettings(joints=(hit,)))
    assert calls == ["fill", "denoise_rotations"]


def bad_takes() -> dict[str, Motion]:
    walk = synthetic.walk(steps=8).motion
    joint = walk.skeleton.index("left_lower_arm")
    track = np.tile(walk.skeleton.rest_translation[joint], (len(walk), 1))
    track[200:260] *= 1.1
    bent = walk.rotations.copy()
    bent[200:300, walk.skeleton.index("right_lower_leg")] = quat.exp(np.array([-1.0, 0.0, 0.0]))
    return {
        "swapped": bad_channels.exchanged(walk, BODY, "LowerLeg"),
        "flipped": bad_channels.turned_over(walk, BODY, "leftFoot"),
        "joint_limit": walk.with_rotations(bent),
        "bone_length": walk.with_translation(joint, track),
    }


@pytest.mark.parametrize("kind", ["swapped", "flipped", "joint_limit", "bone_length"])
def test_bad_channels_are_reported_and_never_mended(kind: str) -> None:
    """Found before and after with frames and a size, and the joint is as it was in its parent."""
    raw = bad_takes()[kind]
    repaired, findings = repair(raw, BODY)
    assert kind not in {one.kind for one in findings}
    before, after = (
        [one for one in check(motion, BODY).findings if one.kind == kind] for motion in (raw, repaired)
    )
    assert before
    assert [one.joint for one in after] == [one.joint for one in before]
    for one, other in zip(before, after, strict=True):
        assert abs(one.start - other.start) <= 4  # frames by which a jump is smoothed
        assert abs(one.stop - other.stop) <= 4
    assert all(one.amount > 0 and not one.repaired for one in (*before, *after))
    for joint, own in raw.translations.items():
        assert np.array_equal(repaired.translations[joint], own)
    bone = {"swapped": "left_lower_leg", "flipped": "left_foot", "joint_limit": "right_lower_leg"}.get(
        kind, "head"
    )
    turned = quat.angle_between(repaired.rotations, raw.rotations)[:, raw.skeleton.index(bone)]
    assert np.degrees(np.median(turned)) < 1


@pytest.mark.parametrize(("offset_m", "climb"), [(-0.08, -0.03), (0.12, 0.03), (0.05, 0.0)])
def test_a_floor_that_climbs_is_made_level(offset_m: float, climb: float) -> None:
    """A walk of 12 m that sinks or floats by 3 cm a metre, and starts beside the floor."""
    clean = synthetic.walk(steps=24).motion
    noise = replace(corrupt.Damage(), heading_deg_per_min=0, path_drift=0, floor_m=0)
    noisy = corrupt.corrupt(clean, 1, noise).motion
    path = noisy.root_translation.copy()
    path[:, 2] += offset_m + climb * np.linalg.norm(path[:, :2] - path[0, :2], axis=1)
    raw = noisy.with_translation(0, path)
    repaired, _ = repair(raw, BODY)
    planted = find_contacts(clean, BODY).planted
    lowest, was = (1000 * foot_points(one, BODY)[..., 2].min(axis=-1) for one in (repaired, raw))
    assert np.abs(lowest[planted]).mean() < 1
    assert lowest.min() > -5  # nor does a swinging foot go into the floor
    assert np.abs(was[planted]).mean() > 40


def test_a_knee_that_is_a_hinge_is_held_on_its_axis() -> None:
    """The repaired rotations lie on one great circle, to rounding, as the clean ones do."""
    clean = synthetic.walk(steps=10).motion
    knee = clean.skeleton.index("left_lower_leg")
    repaired = repair(corrupt.corrupt(clean, 3).motion, BODY, RepairSettings(pin=False))[0]

    def across(motion: Motion) -> float:
        """The largest angle off the circle that lies best, radians."""
        track = motion.rotations[:, knee]
        axes = np.linalg.eigh(track.T @ track)[1]
        return float(2 * np.linalg.norm(track @ axes[:, :2], axis=-1).max())

    assert across(clean) < 1e-7
    assert across(repaired) < 1e-7
    assert across(corrupt.corrupt(clean, 3).motion) > 1e-3
