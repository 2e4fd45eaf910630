"""What a whole repair does with faults that concern many joints, the floor, or channels that are bad."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import bad_channels
import corrupt
import synthetic
from clean_takes import clean_take
from reference_poses import arms, badly_seated, random_seats, take_with_pose
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.health.check import check
from takemill.maths import quat
from takemill.repair import repair as stage
from takemill.repair.repair import RepairSettings, repair
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


def test_the_steps_come_in_their_order(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of one joint: gaps are filled, then it is calmed. Of all: seats, heading, path and floor, feet."""
    truth, body = take_with_pose(arms())
    raw = corrupt.corrupt(badly_seated(truth, random_seats(len(truth.skeleton), 3)), 1).motion
    steps: list[str] = []
    wholes = ["without_seats", "_without_heading_drift", "_without_path_drift", "pin_feet"]
    for module, name in (
        (stage.gaps, "fill"), (denoise, "denoise_rotations"), (stage, wholes[0]), (stage, wholes[1]),
        (stage, wholes[2]), (stage.pin, wholes[3]),
    ):  # fmt: skip
        was = getattr(module, name)

        def noted(*given, was=was, name=name, **named):
            steps.append(name)
            return was(*given, **named)

        monkeypatch.setattr(module, name, noted)
    repair(raw, body, RepairSettings(calibration=True))
    assert [name for name in dict.fromkeys(steps) if name in wholes] == wholes
    before = steps[: steps.index("without_seats")]
    assert before.count("denoise_rotations") == len(raw.skeleton) == steps.count("denoise_rotations")
    hit = next(one.joint for one in repair(raw, body)[1] if one.kind == "spike")
    steps.clear()
    repair(raw, body, RepairSettings(joints=(hit,)))
    assert steps[:2] == ["fill", "denoise_rotations"]


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
