"""World orientations of segments: there, and back."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

import synthetic
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill.sensors.segments import Segments, find_segments, local_from_world, world_from_local


def walk() -> tuple[Motion, Segments]:
    motion = synthetic.walk(steps=4).motion
    return motion, find_segments(motion.skeleton, BodyMap.from_names(motion.skeleton, synthetic.parts()))


def sparse() -> tuple[Motion, Segments]:
    """A body whose chest and toes have no sensor."""
    motion = synthetic.walk(steps=4).motion
    parts = {part: name for part, name in synthetic.parts().items() if part not in ("chest", "leftToes")}
    return motion, find_segments(motion.skeleton, BodyMap.from_names(motion.skeleton, parts))


def test_the_world_orientations_are_those_of_forward_kinematics() -> None:
    for motion, segments in (walk(), sparse()):
        world = world_from_local(motion.skeleton, segments, motion.rotations)
        model = motion.model()[0][:, segments.joints]
        assert quat.angle_between(world, model).max() < 1e-7


def test_parents_are_the_next_segments_above() -> None:
    motion, segments = sparse()
    names = [motion.skeleton.names[joint] for joint in segments.joints]
    assert "chest" not in segments.parts
    above = {
        name: names[parent] if parent >= 0 else ""
        for name, parent in zip(names, segments.parents, strict=True)
    }
    assert above["left_lower_arm"] == "left_upper_arm"
    assert above["hips"] == ""
    assert all(parent < place for place, parent in enumerate(segments.parents))


def test_turned_segments_stand_as_asked_and_all_others_where_they_were() -> None:
    for motion, segments in (walk(), sparse()):
        world = world_from_local(motion.skeleton, segments, motion.rotations)
        place = segments.parts.index("leftUpperArm")
        goal = world.copy()
        goal[:, place] = quat.mul(quat.from_yaw(0.3), goal[:, place])
        changed = np.arange(len(segments)) == place
        before = motion.rotations.copy()
        local = local_from_world(motion.skeleton, segments, motion.rotations, goal, changed)
        assert np.array_equal(motion.rotations, before)
        after = world_from_local(motion.skeleton, segments, local)
        assert quat.angle_between(after, goal).max() < 1e-7
        same = [
            joint
            for joint in range(len(motion.skeleton))
            if joint != segments.joints[place] and motion.skeleton.parents[joint] != segments.joints[place]
        ]
        assert np.array_equal(local[:, same], motion.rotations[:, same])


def test_joints_without_a_sensor_keep_their_turns() -> None:
    motion, segments = sparse()
    rotations = motion.rotations.copy()
    joint = motion.skeleton.index("chest")
    rotations[:, joint] = quat.mul(rotations[:, joint], quat.from_yaw(0.2))
    motion = replace(motion, rotations=rotations)
    world = world_from_local(motion.skeleton, segments, motion.rotations)
    goal = quat.mul(quat.from_yaw(np.linspace(0, 0.5, len(motion)))[:, None], world)
    local = local_from_world(motion.skeleton, segments, motion.rotations, goal, np.ones(len(segments), bool))
    assert np.abs(quat.angle_between(local[:, joint], motion.rotations[:, joint])).max() < 1e-7
    assert quat.angle_between(world_from_local(motion.skeleton, segments, local), goal).max() < 1e-7
