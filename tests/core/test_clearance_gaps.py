"""What an arm is found to lack beside all pairs of its capsules and the body's, worked out one by one."""

from __future__ import annotations

import numpy as np
import pytest

import hand_takes
from fit_bodies import BROAD
from skinned_bodies import Girth, skinned
from takemill.body.body_parts import SIDES
from takemill.body.motion import Motion
from takemill.fit.clearance import clear_arms
from takemill.fit.clearance_arm import Arm, Around, arm_joints
from takemill.fit.clearance_gaps import FAR_M, lacking, ways_out
from takemill.fit.fit import fit
from takemill.goals.goal_pose import GoalPose
from takemill.maths import quat
from takemill.maths.capsule_distance import capsule_distances, each_nearest
from takemill.shape.body_shape import body_shape

WIDE = (BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11))


@pytest.fixture(scope="module")
def hilt():
    """Two hands on a hilt before a thick chest, deep in it, and the character's surface."""
    take = hand_takes.TAKES["hilt"](30.0)
    skeleton, parts, skin = skinned(*WIDE)
    motion = fit(take.motion, take.body, skeleton, parts)
    return motion, parts, body_shape(skeleton, parts, skin)


def test_distances_in_single_precision_are_those_of_each_pair():
    rng = np.random.default_rng(5)
    a, b, c, d = (rng.uniform(-0.25, 0.25, (count, 3)) for count in (2000, 2000, 6, 6))
    b[:20], d[0] = a[:20] + (d[1] - c[1]), c[0]  # parallel ones, and a point
    zero = np.zeros(1)
    wanted, _, _ = capsule_distances(a, b, zero, c[:, None], d[:, None], zero)
    single = (one.astype(np.float32) for one in (a.T, (b - a).T, c, d - c))
    s, t, square = each_nearest(*single)
    off = np.abs(np.sqrt(square) - wanted)
    assert off[wanted > 0.01].max() < 2e-5
    assert off.max() < 5e-4
    places = a + s[..., None] * (b - a), c[:, None] + t[..., None] * (d - c)[:, None]
    assert np.abs(quat.length(places[0] - places[1]) - wanted).max() < 5e-4
    assert s.dtype == t.dtype == square.dtype == np.float32


@pytest.mark.parametrize("touched", [0.0, 0.02])
def test_what_an_arm_lacks_is_what_all_pairs_say(hilt, touched):
    motion, parts, shape = hilt
    frames = np.arange(0, len(motion), 3)
    pose = GoalPose(motion, arm_joints(shape, parts), frames)
    around = Around.of(pose, parts, shape)
    rows = np.arange(len(frames))[10:120]
    turned, at = motion.model()
    hips = at[frames, parts.require("hips")][:, None]
    for side in SIDES:
        weights = np.zeros(len(frames)), np.full(len(frames), touched)
        arm = Arm.of(pose, parts, shape, side, around, weights)
        lack = lacking(arm, arm.ends[..., rows], rows, arm.groups)
        theirs = [end - hips for end in shape.placed(turned[frames], at[frames], around.which)]
        mine = arm.ends.astype(np.float64) + arm.shoulder[:, None]
        a, b = (end.transpose(2, 1, 0)[:, :, None] for end in mine)
        c, d = (end[:, None] for end in theirs)
        gaps, here, there = capsule_distances(a, b, arm.radius[:, None], c, d, around.radius)
        gaps[:, arm.touching] += touched  # as far out of what it touches as a hand that rests there counts
        wanted = np.maximum(arm.room - gaps, -FAR_M)[rows]
        assert (wanted > 0.02).any()
        for most, group in zip(lack.most, arm.groups, strict=True):
            np.testing.assert_allclose(most, wanted[:, group].max(axis=(1, 2)), atol=1e-4)
        out = ways_out(arm, arm.ends[..., rows], rows, arm.groups, lack)
        np.testing.assert_allclose(np.bincount(out.key, out.weight)[np.unique(out.key)], 1.0, atol=1e-6)
        # The one that counts most lies where its pair does, and its way leads off it.
        order = np.lexsort((out.weight, out.key))
        last = order[np.append(np.diff(out.key[order]) > 0, True)]
        for one in last[::7]:
            number, row = divmod(int(out.key[one]), len(rows))
            group = arm.groups[number]
            k, pair = divmod(int(wanted[row, group].argmax()), wanted.shape[2])
            line = (here - there)[rows[row], group[k], pair]
            if quat.length(line) > 0.3 * around.radius[pair]:
                np.testing.assert_allclose(out.way[one], line / quat.length(line), atol=0.01)


def test_what_lies_elsewhere_in_a_take_changes_nothing(hilt):
    """A touch of the body is cleared as it is alone, though arms before it lie deep and need more rounds."""
    motion, parts, shape = hilt
    _, found = clear_arms(motion, parts, shape)
    touch = np.arange(int(found.frames[np.argmax(found.before > 0.004)]) + 1)
    alone, long = (
        Motion(motion.skeleton, motion.rate, motion.rotations[rows], motion.root_translation[rows])
        for rows in (touch, np.concatenate([np.repeat([found.before.argmax(), 0], [90, 150]), touch]))
    )
    (alone, found), (among, deep) = (clear_arms(one, parts, shape) for one in (alone, long))
    assert 0.004 < found.before_m < deep.before_m / 2
    turned = quat.angle_between(among.rotations[-len(touch) :], alone.rotations)
    assert np.degrees(turned.max()) < 1e-4
