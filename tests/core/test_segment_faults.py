"""The repair of single sensors as a whole: aims on open motion, no harm, findings, settings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import open_data
import suit_faults
import suit_takes
import synthetic
from suit_takes import SuitTake, suit_take
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.health.check import check
from takemill.health.profile import find_profile
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from takemill.sensors.pose_pairs import Between, find_between, find_end_poses, find_pose_slips
from takemill.sensors.segments import Segments, find_segments, world_from_local

ONLY = RepairSettings(
    profile="suit",
    heading=False,
    path=False,
    floor=False,
    pin=False,
    frozen=False,
    spikes=False,
    jitter=False,
)
KINDS = {"dropout", "late_sensor", "sensor_slip", "heading_drift"}


def error_deg(motion: Motion, take: SuitTake) -> float:
    off = quat.angle_between(motion.rotations, take.motion.rotations)[take.inner]
    return float(np.degrees(np.sqrt(np.mean(off**2))))


def same(one: Motion, other: Motion) -> bool:
    """Whether two motions are one, but for the last digit that making quaternions unit again changes."""
    return bool(np.abs(one.rotations - other.rotations).max() < 1e-12)


def damaged(name: str, kind: str, seed: int) -> tuple[SuitTake, suit_faults.Faulty]:
    take = suit_take(name)
    return take, suit_faults.with_faults(take.motion, take.body, seed, suit_faults.ALONE[kind], take.inner)


@pytest.mark.parametrize(("kind", "aim"), [("slip", 0.25), ("all but lag", 0.4), ("all", 0.55)])
def test_with_poses_at_both_ends_the_aims_are_met_on_a_walk(kind: str, aim: float) -> None:
    """The aims of the project, RMS over local joint rotations, the noise of the sensors left in."""
    raw, ours = [], []
    for seed in (1, 2, 3):
        take, fault = damaged("walk", kind, seed)
        raw.append(error_deg(fault.motion, take))
        ours.append(error_deg(repair(fault.motion, take.body, replace(ONLY, calibration=True))[0], take))
    assert np.mean(ours) < aim * np.mean(raw)


def test_a_pose_of_ones_own_tells_as_much_as_a_t() -> None:
    take, fault = damaged("walk", "drift", 1)
    seconds = len(take.motion) / 60
    own = replace(ONLY, same_pose_s=((0.0, 1.0), (seconds - 1.0, seconds)))
    posed, named = (
        error_deg(repair(fault.motion, take.body, one)[0], take)
        for one in (replace(ONLY, calibration=True), own)
    )
    assert named < 0.5 * error_deg(fault.motion, take)
    assert abs(named - posed) < 0.1


def test_a_pose_at_the_end_alone_shows_a_drift() -> None:
    """Errors that are nearly all about the vertical are no misalignment: they grew."""
    take, fault = damaged("walk", "drift", 1)
    late = replace(take, motion=fault.motion).posed_at(False, True)
    out = repair(late.motion, take.body, replace(ONLY, calibration=True))[0]
    truth = take.posed_at(False, True)
    assert error_deg(out, truth) < 0.5 * error_deg(late.motion, truth)


@pytest.mark.parametrize("hang", [(False, True), (True, False), (True, True)])
def test_hanging_arms_tell_how_legs_and_trunk_turned(hang: tuple[bool, bool]) -> None:
    """Where an end has no T: of a drift larger than people stand differently. Arms are left to joints."""
    take = suit_takes.between_poses(
        suit_takes.joined([suit_takes.repeated(*one) for one in suit_takes.MEDLEYS["walk"]]), hang
    )
    quick = replace(suit_faults.ALONE["drift"], drift_deg_per_min=30.0)
    fault = suit_faults.with_faults(take.motion, take.body, 2, quick, take.inner)
    segments = find_segments(take.motion.skeleton, take.body)
    poses = find_end_poses(fault.motion, take.body, segments)
    assert poses.first is not None
    assert poses.last is not None
    told = [
        part
        for part, known in zip(segments.parts, poses.first.known & poses.last.known, strict=True)
        if known
    ]
    assert {"hips", "head", "leftUpperLeg", "rightFoot"} <= set(told)
    assert not any(part.endswith(("Arm", "Hand")) for part in told)
    out = repair(fault.motion, take.body, replace(ONLY, calibration=True))[0]
    free = repair(fault.motion, take.body, ONLY)[0]
    joints = segments.joints[[segments.parts.index(part) for part in told]]
    raw, alone, ours = (
        np.sqrt(np.mean(quat.angle_between(one.rotations, take.motion.rotations)[take.inner][:, joints] ** 2))
        for one in (fault.motion, free, out)
    )
    assert ours < 0.45 * raw
    assert ours < 0.7 * alone


@pytest.mark.parametrize("name", ["walk", "fight"])
@pytest.mark.parametrize("turned_deg", [{"leftUpperLeg": 6.0, "rightUpperLeg": -6.0}, {"rightFoot": -12.0}])
def test_standing_otherwise_at_the_end_is_no_drift(name: str, turned_deg: dict[str, float]) -> None:
    """Arms that hang, legs or a foot turned out more than at the start: sensors that are right stay."""
    posed = suit_take(name)
    take = suit_takes.between_poses(posed.motion.slice(posed.start, posed.stop), (False, True))
    rotations, stop, world = take.motion.rotations.copy(), take.stop - 30, take.motion.model()[0]
    for part, degrees in turned_deg.items():
        joint = take.body.require(part)
        turned = quat.mul(quat.from_yaw(np.radians(degrees)), world[stop:, joint])
        above = world[stop:, take.motion.skeleton.parents[joint]]
        rotations[stop:, joint] = quat.mul(quat.inv(above), turned)
    motion = take.motion.with_rotations(quat.continuous(rotations))
    out, findings = repair(motion, take.body, replace(ONLY, calibration=True))
    assert [one.kind for one in findings if one.kind in KINDS] == []
    off = np.degrees(quat.angle_between(out.rotations, motion.rotations))
    assert off.max() < 0.1


def test_a_repair_says_of_which_sensors_it_is_not_known_how_they_turned() -> None:
    """A walk without poses, whose knees drift: no posture of the head is steady enough to tell of it."""
    take, fault = damaged("fight", "drift", 1)
    part = replace(take, motion=fault.motion).posed_at(False, False)
    findings = repair(part.motion, part.body, ONLY)[1]
    (said,) = [one for one in findings if one.kind == "unknown_heading"]
    names = take.motion.skeleton.names
    assert (said.joint, said.repaired, said.unit) == ("", False, "deg")
    assert names[take.body.require("head")] in said.message
    assert names[take.body.require("leftLowerLeg")] not in said.message
    assert "a T or A pose at both ends would tell" in said.message
    assert 1.5 < said.amount < 3.0
    posed = repair(fault.motion, take.body, replace(ONLY, calibration=True))[1]
    assert "unknown_heading" not in {one.kind for one in posed}
    assert "unknown_heading" not in {one.kind for one in repair(take.motion, take.body, ONLY)[1]}


@pytest.mark.parametrize(
    "name", ["walk", "run", "dance_a", "crawl", "spin", "jump", "getup_faceup", "cartwheel"]
)
@pytest.mark.parametrize("rate", [30.0, 60.0])
def test_a_clean_take_is_left_as_it_is(name: str, rate: float) -> None:
    motion = suit_takes.repeated(name, 8).resampled(rate)
    body = find_body_map(motion.skeleton)
    out, findings = repair(motion, body, ONLY)
    assert same(out, motion)
    assert not {one.kind for one in findings} & KINDS
    assert not {one.kind for one in check(motion, body).findings if one.joint} & KINDS


def test_noise_spikes_and_freezes_alone_are_no_fault_that_lasts() -> None:
    """Elbows that hardly bend, under half a degree of noise, tell no heading that is off for good."""
    for name, motion in (
        ("synthetic", synthetic.walk(steps=40).motion),
        ("fight", suit_take("fight").motion),
    ):
        raw = corrupt.corrupt(motion, 1).motion
        body = find_body_map(raw.skeleton)
        out, findings = repair(raw, body, ONLY)
        assert same(out, raw), name
        assert findings == (), name


def test_a_clean_take_between_poses_is_left_too() -> None:
    for name in ("fight", "bank"):
        take = suit_take(name)
        settings = replace(
            ONLY, same_pose_s=((0.0, 1.0), (len(take.motion) / 60 - 1.0, len(take.motion) / 60))
        )
        out, findings = repair(take.motion, take.body, settings)
        assert same(out, take.motion)
        assert [one.kind for one in findings] == ["reference_pose"]
        assert "no sensor turned or slipped" in findings[0].message
        out = repair(take.motion, take.body, replace(ONLY, calibration=True))[0]
        assert np.degrees(quat.angle_between(out.rotations, take.motion.rotations)).max() < 1e-4


def test_check_finds_what_repair_repairs_and_a_second_check_finds_nothing() -> None:
    take, fault = damaged("walk", "all", 1)
    part = replace(take, motion=fault.motion).posed_at(False, False)
    before = check(part.motion, part.body).findings
    names = take.motion.skeleton.names
    assert fault.slip
    assert fault.dropout
    assert fault.lag
    for kind, joint in (
        ("sensor_slip", fault.slip[0]), ("dropout", fault.dropout[0]), ("late_sensor", fault.lag[0])
    ):  # fmt: skip
        assert [one.joint for one in before if one.kind == kind] == [names[joint]]
    out, found = repair(part.motion, part.body, replace(ONLY, jitter=True))
    assert all(one.repaired for one in found if one.kind in KINDS)
    after = {one.kind for one in check(out, part.body).findings}
    assert not after & {"sensor_slip", "dropout", "late_sensor"}


def test_each_step_can_be_left_out_and_joints_named() -> None:
    take, fault = damaged("walk", "all", 1)
    off = replace(ONLY, dropouts=False, late_sensors=False, slips=False, sensor_heading=False)
    out, findings = repair(fault.motion, take.body, off)
    assert same(out, fault.motion)
    assert findings == ()
    assert fault.slip
    name = take.motion.skeleton.names[fault.slip[0]]
    out, findings = repair(fault.motion, take.body, replace(ONLY, joints=(name,)))
    assert {one.joint for one in findings if one.repaired} == {name}
    model, raw = out.model()[0], fault.motion.model()[0]
    moved = np.degrees(quat.angle_between(model, raw)).max(axis=0) > 1e-4
    assert moved.nonzero()[0].tolist() == [fault.slip[0]]


@pytest.mark.parametrize("profile", ["", "cleaned", "optical"])
def test_in_a_take_that_no_suit_recorded_faults_of_sensors_are_reported_and_left(profile: str) -> None:
    """One rule, whether the profile is found (the take has no noise) or said."""
    take, quiet = suit_take("walk"), replace(suit_faults.ALL, noise_deg=0.0)
    fault = suit_faults.with_faults(take.motion, take.body, 1, quiet, take.inner)
    part = replace(take, motion=fault.motion).posed_at(False, False)
    out, findings = repair(part.motion, part.body, replace(ONLY, profile=profile))
    assert same(out, part.motion)
    assert {one.kind for one in findings} == KINDS
    assert not any(one.repaired for one in findings)
    kind = profile or "cleaned"
    assert all(f"counts as {kind}: left as it is (profile of [repair])" in one.message for one in findings)
    suits, found = repair(part.motion, part.body, ONLY)
    done = [one for one in found if one.kind in KINDS]
    assert [one.kind for one in done] == [one.kind for one in findings]
    assert all(one.repaired for one in done)
    assert not same(suits, part.motion)
    # Poses that are named say what happened between them, whatever recorded the take.
    seconds = len(take.motion) / 60
    named = replace(ONLY, profile=profile, same_pose_s=((0.0, 1.0), (seconds - 1.0, seconds)))
    assert error_deg(repair(fault.motion, take.body, named)[0], take) < 0.6 * error_deg(fault.motion, take)


def test_spikes_are_found_alike_in_a_take_whose_profile_is_found_and_one_whose_is_said() -> None:
    clean = open_data.humanoid3d("walk")[0].resampled(60.0)
    take = corrupt.corrupt(clean, 1, corrupt.Damage(0, 0, 0.3, 60, 0, 0, 0, 0))
    body = find_body_map(clean.skeleton)
    assert find_profile(take.motion, body).kind == "cleaned"
    found, said = (repair(take.motion, body, RepairSettings(profile=profile)) for profile in ("", "cleaned"))
    assert found[1] == said[1]
    assert same(found[0], said[0])
    masks = np.zeros_like(take.spikes)
    for one in found[1]:
        masks[one.start : one.stop, clean.skeleton.index(one.joint)] |= one.kind in ("spike", "frozen")
    assert (take.spikes & masks).sum() >= 0.9 * take.spikes.sum() > 5


def test_a_dropout_longer_than_the_limit_is_reported_and_left() -> None:
    take, fault = damaged("walk", "dropout", 1)
    out, findings = repair(fault.motion, take.body, replace(ONLY, longest_dropout_s=0.3))
    (found,) = findings
    assert (found.kind, found.repaired, found.unit) == ("dropout", False, "s")
    assert "longer than what is bridged" in found.message
    assert same(out, fault.motion)


def test_dropouts_are_bridged_only_in_the_stretches_that_are_asked_for() -> None:
    take, fault = damaged("walk", "dropout", 1)
    assert fault.dropout
    seconds = fault.dropout[1] / 60
    for stretch, there in (((0.0, seconds - 1), False), ((seconds - 1, seconds + 2), True)):
        out, findings = repair(fault.motion, take.body, replace(ONLY, ranges_s=(stretch,)))
        assert bool(findings) == there
        assert same(out, fault.motion) != there


@pytest.mark.parametrize(
    ("spans", "message"),
    [
        (((0.0, 1.0),), "expected two stretches, got 1"),
        (((0.0, 2.0), (1.0, 3.0)), "the stretches overlap"),
        (((0.0, 1.0), (90.0, 91.0)), "the take ends at"),
        (((1.0, 1.0), (5.0, 6.0)), "expected 0 <= start < stop"),
    ],
)
def test_stretches_that_hold_no_pose_are_refused(spans: tuple, message: str) -> None:
    take = suit_take("walk")
    with pytest.raises(InputError, match=message):
        repair(take.motion, take.body, replace(ONLY, same_pose_s=spans))


def test_what_changed_between_two_poses_is_told_whichever_way_the_performer_faces() -> None:
    """The walk in the medley turns: the last T faces another way than the first."""
    take, fault = damaged("mixed", "slip", 2)
    assert fault.slip
    segments = find_segments(take.motion.skeleton, take.body)
    world = quat.continuous(world_from_local(take.motion.skeleton, segments, fault.motion.rotations))
    between = find_between(world, find_end_poses(fault.motion, take.body, segments), 60.0)
    assert between is not None
    assert between.known.all()
    sizes = np.degrees(quat.angle(between.turns))
    place = segments.joints.tolist().index(fault.slip[0])
    assert abs(sizes[place] - 10.0) < 0.1
    assert np.delete(sizes, place).max() < 0.1


def test_all_joints_of_an_open_file_take_part() -> None:
    """A body with collar bones, two spine joints and a neck: slips of its trunk are told by two poses."""
    take, fault = damaged("bank", "slip", 1)
    assert fault.slip
    out = repair(fault.motion, take.body, replace(ONLY, calibration=False, same_pose_s=((0, 1), (18, 19))))[0]
    assert error_deg(out, take) < 0.25 * error_deg(fault.motion, take)
    assert len(open_data.bvh_files()) == 2


def test_a_slip_between_two_poses_is_told_where_no_neighbour_was_posed():
    """It ended in a Python error."""
    segments = Segments(np.arange(3), ("hips", "spine", "head"), np.array([-1, 0, 1]))
    turns = np.tile(quat.IDENTITY, (3, 1))
    turns[2] = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(20.0))
    expected, known = np.tile(quat.IDENTITY, (3, 1)), np.array([True, False, True])
    (slip,) = find_pose_slips(segments, Between(turns, expected, known, 30.0, 0.01))
    assert slip.place == 2
    assert np.degrees(quat.angle(slip.turn)) == pytest.approx(20.0, abs=0.1)
