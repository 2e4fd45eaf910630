"""Slow turns of single sensors: what hinges, postures and poses tell of them."""

from __future__ import annotations

import numpy as np
import pytest

import suit_faults
from suit_takes import NAMES, suit_take
from takemill.base.checks import Array
from takemill.maths import quat
from takemill.sensors.hinge_heading import hinge_rows
from takemill.sensors.segment_drift import (
    PoseHeading,
    SegmentDrift,
    find_segment_drift,
    remove_segment_drift,
    sample_frames,
)
from takemill.sensors.segments import Segments, find_segments, world_from_local


def drifting(name: str, seed: int) -> tuple[Array, Array, Segments, Array]:
    """A take between its poses: world orientations as they drift, headings gained, segments, their rest."""
    take = suit_take(name)
    segments = find_segments(take.motion.skeleton, take.body)
    fault = suit_faults.with_faults(take.motion, take.body, seed, suit_faults.ALONE["drift"], take.inner)
    world = quat.continuous(world_from_local(take.motion.skeleton, segments, fault.motion.rotations))
    rest = take.motion.skeleton.reference_model[0][segments.joints]
    gained = fault.heading[:, segments.joints]
    return world[take.inner], gained[take.inner] - gained[take.start], segments, rest


def found_in(
    world: Array, segments: Segments, rest: Array, poses: tuple[PoseHeading, ...] = ()
) -> SegmentDrift | None:
    picks = sample_frames(len(world), 60.0, 10.0, 6000)
    return find_segment_drift(world[picks], segments, rest, 10.0, poses)


def rms_deg(values: Array) -> float:
    return float(np.degrees(np.sqrt(np.mean(values**2))))


def test_a_hinge_tells_the_heading_between_its_segments_exactly() -> None:
    """Made motion: an upper arm that swings, an elbow that bends, a forearm whose heading goes off."""
    t = np.arange(300) / 10.0
    upper = quat.exp(
        np.stack([0.5 * np.sin(1.1 * t), 0.4 * np.sin(0.7 * t + 1), 0.6 * np.sin(0.9 * t)], axis=1)
    )
    axis = np.array([0.9, 0.1, 0.3]) / np.linalg.norm([0.9, 0.1, 0.3])
    rest = quat.exp(np.array([0.2, -0.4, 0.1]))
    lower = quat.mul(quat.mul(upper, quat.from_axis_angle(axis, 0.8 + 0.7 * np.sin(2 * t))), rest)
    true = np.radians(5.0) * t / t[-1]
    lower = quat.mul(quat.from_yaw(true), lower)
    knots = np.linspace(0, t[-1], 11)
    hats = np.stack([np.interp(t, knots, one) for one in np.eye(11)], axis=1)
    heading = np.zeros(len(t))
    for _ in range(8):  # the axes go along with the heading
        rows = hinge_rows(upper, quat.mul(quat.from_yaw(-heading), lower), heading, hats, 10.0)
        assert rows is not None
        whole = np.concatenate([rows.turns, rows.own], axis=1)
        normal = whole.T @ (rows.weights[:, None] * whole)
        own = range(11, 11 + rows.own.shape[1])
        normal[own, own] += rows.own_weights
        heading = hats @ np.linalg.solve(normal, whole.T @ (rows.weights * rows.values))[:11]
    changed = heading - heading[0]  # an offset for good, the axes tell as well
    assert np.degrees(np.abs(changed - true)).max() < 0.05


def test_a_joint_that_turns_freely_is_no_hinge() -> None:
    rng = np.random.default_rng(1)
    upper, lower = quat.exp(rng.normal(size=(200, 3))), quat.exp(rng.normal(size=(200, 3)))
    assert hinge_rows(upper, lower, np.zeros(200), np.ones((200, 1)), 10.0) is None


@pytest.mark.parametrize("name", ["walk", "fight"])
def test_without_a_pose_joints_tell_a_part_of_it(name: str) -> None:
    """What knees and elbows turn against each other goes, to a third and less, where it was over a degree."""
    for seed in (1, 2, 3):
        world, gained, segments, rest = drifting(name, seed)
        before = world.copy()
        drift = found_in(world, segments, rest)
        assert np.array_equal(world, before)
        assert drift is not None
        said = drift.at(np.arange(len(world)) / 60.0)
        for place, part in enumerate(segments.parts):
            if part.endswith("LowerLeg"):
                parent = segments.parents[place]
                true, ours = (one[:, place] - one[:, parent] for one in (gained, said))
                if rms_deg(true) > 1.0:
                    assert rms_deg(true - ours) < rms_deg(true) / 3, (seed, part)


def test_two_poses_tell_the_ends_and_joints_what_lies_between() -> None:
    """The error left is at most 0.8 of what a straight line between the poses leaves, over three takes.

    At knees and elbows, which are hinges there, a fifth; at other joints posture alone tells, to 0.87.
    """
    line, ours = [], []
    for name in ("walk", "run", "mixed"):
        for seed in (1, 2, 3):
            world, gained, segments, rest = drifting(name, seed)
            seconds, known = (len(world) - 1) / 60.0, np.ones(len(segments), bool)
            poses = (
                PoseHeading(0.0, 0 * gained[0], known, True),
                PoseHeading(seconds, gained[-1] - np.median(gained[-1]), known, False),
            )
            drift = found_in(world, segments, rest, poses)
            assert drift is not None
            part = np.arange(len(world))[:, None] / (len(world) - 1)
            said = drift.at(np.arange(len(world)) / 60.0)
            parents, below = np.maximum(segments.parents, 0), segments.parents >= 0
            hinged = np.array([one.endswith(("LowerArm", "LowerLeg")) for one in segments.parts])
            for store, left in ((line, gained - part * gained[-1]), (ours, gained - said)):
                apart = left - left[:, parents]
                store.append([rms_deg(apart[:, some]) for some in (below, hinged, below & ~hinged)])
    all_joints, hinges, others = np.mean(ours, axis=0) / np.mean(line, axis=0)
    assert all_joints < 0.8
    assert hinges < 0.2
    assert others < 0.87


@pytest.mark.parametrize("name", NAMES)
def test_nothing_drifts_in_a_clean_take(name: str) -> None:
    take = suit_take(name)
    segments = find_segments(take.motion.skeleton, take.body)
    rest = take.motion.skeleton.reference_model[0][segments.joints]
    for rate in (30.0, 60.0):
        motion = take.motion.resampled(rate)
        world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
        picks = sample_frames(len(world), rate, 10.0, 6000)
        assert find_segment_drift(world[picks], segments, rest, 10.0) is None


def test_poses_that_agree_and_short_takes_say_that_nothing_drifts() -> None:
    world, gained, segments, rest = drifting("walk", 1)
    known = np.ones(len(segments), bool)
    same = (PoseHeading(0.0, 0 * gained[0], known, True), PoseHeading(15.0, 0 * gained[0], known, False))
    assert found_in(world, segments, rest, same) is None
    assert found_in(world[:300], segments, rest) is None


def test_what_is_found_is_taken_out_of_each_segment_alone() -> None:
    world, _, segments, _ = drifting("walk", 1)
    count = len(segments)
    heading = np.zeros((2, count))
    heading[1, 3] = 0.2
    drift = SegmentDrift(
        np.array([0.0, (len(world) - 1) / 60.0]),
        heading,
        np.ones(count, bool),
        np.zeros(count),
        np.zeros(count, bool),
    )
    out = remove_segment_drift(world, drift, 60.0)
    turned = quat.angle_between(out, world)
    assert turned[:, np.arange(len(segments)) != 3].max() < 1e-7
    assert np.abs(turned[:, 3] - np.linspace(0, 0.2, len(world))).max() < 1e-9
