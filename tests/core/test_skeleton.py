"""A skeleton: what it refuses, where its joints and tips lie at rest, and who hangs below whom."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from odd_motion import odd_skeleton
from reference import reordered
from takemill.base.errors import InputError
from takemill.body.skeleton import Reference, Skeleton
from takemill.maths import quat

IDENTITIES = np.tile(quat.IDENTITY, (3, 1))


def chain(**changes) -> Skeleton:
    """Three joints, each one metre above the other, and a tip half a metre ahead of the last."""
    parts = {
        "names": ("low", "mid", "top"),
        "parents": (-1, 0, 1),
        "rest_translation": np.array([[0, 0, 0], [0, 0, 1.0], [0, 0, 1.0]]),
        "rest_rotation": IDENTITIES,
        "tip_joints": (2,),
        "tip_offsets": np.array([[0, -0.5, 0]]),
    }
    return Skeleton(**(parts | changes))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {
                "names": (),
                "parents": (),
                "rest_translation": np.zeros((0, 3)),
                "rest_rotation": np.zeros((0, 4)),
            },
            "no joints",
        ),
        ({"names": ("low", "mid", "mid")}, "'mid' stands twice"),
        ({"parents": (-1, 0)}, "3 names but 2 parents"),
        ({"parents": (-1, 2, 1)}, "the parent of 'mid' must stand before it"),
        ({"parents": (-1, 1, 1)}, "the parent of 'mid' must stand before it"),
        ({"parents": (-1, -2, 1)}, "the parent of 'mid' must stand before it"),
        ({"tip_joints": (3,)}, "a tip belongs to no joint"),
        ({"tip_joints": (-1,)}, "a tip belongs to no joint"),
        ({"tip_offsets": np.zeros((2, 3))}, r"tip_offsets: expected shape \(1, 3\), got \(2, 3\)"),
        ({"rest_translation": np.zeros((3, 4))}, r"rest_translation: expected shape \(3, 3\)"),
        ({"rest_rotation": np.full((3, 4), np.nan)}, r"rest_rotation: value at \(0, 0\)"),
        ({"rest_rotation": np.zeros((3, 4))}, "rest rotation of 'low' is zero"),
    ],
)
def test_a_skeleton_that_is_none_is_refused(changes, message):
    with pytest.raises(InputError, match=message):
        chain(**changes)


def test_the_rest_pose_adds_up():
    skeleton = chain()
    np.testing.assert_array_equal(skeleton.rest_model[1], [[0, 0, 0], [0, 0, 1], [0, 0, 2]])
    np.testing.assert_array_equal(skeleton.rest_tips, [[0, -0.5, 2]])
    assert skeleton.height == 2.0
    assert len(skeleton) == 3


def test_the_rest_pose_of_an_odd_skeleton_is_scipys():
    skeleton = odd_skeleton()
    turns, spots = [], []
    for joint, parent in enumerate(skeleton.parents):
        turn = Rotation.from_quat(np.roll(skeleton.rest_rotation[joint], -1))
        spot = np.array(skeleton.rest_translation[joint])
        turns.append(turn if parent < 0 else turns[parent] * turn)
        spots.append(spot if parent < 0 else spots[parent] + turns[parent].apply(spot))
    np.testing.assert_allclose(skeleton.rest_model[1], spots, atol=1e-12)
    tips = [
        spots[joint] + turns[joint].apply(np.array(offset))
        for joint, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
    ]
    np.testing.assert_allclose(skeleton.rest_tips, tips, atol=1e-12)


def test_rest_rotations_of_any_length_are_taken_as_directions():
    """A file's rounded quaternion must not stretch the bones below it."""
    long = chain(rest_rotation=IDENTITIES * [[2.0], [0.5], [1.0]])
    np.testing.assert_array_equal(long.rest_rotation, IDENTITIES)
    np.testing.assert_array_equal(long.rest_model[1], chain().rest_model[1])


def test_arrays_are_owned_and_read_only():
    given = np.array([[0, 0, 0], [0, 0, 1.0], [0, 0, 1.0]])
    skeleton = chain(rest_translation=given)
    given[1, 2] = 7
    assert skeleton.rest_translation[1, 2] == 1
    for array in (
        skeleton.rest_translation,
        skeleton.rest_rotation,
        skeleton.tip_offsets,
        *skeleton.rest_model,
    ):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 0


def test_names_lead_to_joints():
    assert chain().index("mid") == 1
    with pytest.raises(InputError, match="there is no joint 'knee'"):
        chain().index("knee")


def test_who_hangs_below_whom():
    skeleton = odd_skeleton()  # parents -1, 0, 1, 1, 3, -1, 5, 6
    assert skeleton.children == ((1,), (2, 3), (), (4,), (), (6,), (7,), ())
    assert skeleton.path_to(4) == (0, 1, 3, 4)
    assert skeleton.path_to(5) == (5,)
    np.testing.assert_array_equal(skeleton.subtree(1), [1, 2, 3, 4])
    np.testing.assert_array_equal(skeleton.subtree(5), [5, 6, 7])
    np.testing.assert_array_equal(skeleton.subtree(7), [7])


def test_without_another_one_the_rest_pose_is_the_reference():
    skeleton = odd_skeleton()
    assert skeleton.reference_rotation is skeleton.rest_rotation
    assert skeleton.reference_model is skeleton.rest_model
    np.testing.assert_array_equal(skeleton.reference_tips, skeleton.rest_tips)


def test_the_reference_pose_goes_wherever_the_joints_go():
    """Parts, other orders and a new root keep each joint's reference transform beside its rest."""
    plain = odd_skeleton()
    count = len(plain)
    rng = np.random.default_rng(4)
    reference = Reference(rng.normal(size=(count, 4)), rng.normal(size=(count, 3)), "frame 7")
    skeleton = plain.with_reference(reference)
    np.testing.assert_array_equal(skeleton.rest_model[1], plain.rest_model[1])
    assert np.abs(skeleton.reference_model[1] - plain.rest_model[1]).max() > 0.1
    order = list(range(count - 1, -1, -1)) if set(plain.parents) == {-1} else list(range(count))
    below = skeleton.subtree(1).tolist()
    cases = (
        (reordered(skeleton, order), order),
        (skeleton.part(below), below),
    )
    for moved, joints in cases:
        np.testing.assert_allclose(moved.reference_rotation, skeleton.reference_rotation[joints], atol=1e-12)
        np.testing.assert_allclose(
            moved.reference_translation, skeleton.reference_translation[joints], atol=1e-12
        )
    rooted = skeleton.under_root("new")
    np.testing.assert_allclose(rooted.reference_model[1][1:], skeleton.reference_model[1], atol=1e-12)
    np.testing.assert_allclose(rooted.rest_model[1][1:], skeleton.rest_model[1], atol=1e-12)
    np.testing.assert_allclose(rooted.reference_tips, skeleton.reference_tips, atol=1e-12)


def test_a_free_joint_may_rest_anywhere():
    moved = chain(rest_translation=np.array([[0, 5.0, 0], [0, 0, 1.0], [0, 0, 1.0]]))
    assert chain().difference(moved) == "joint 'low' rests elsewhere"
    assert chain().difference(moved, free=(0,)) == ""


def test_a_reference_of_another_skeleton_is_refused():
    with pytest.raises(InputError, match="reference rotation"):
        chain(reference=Reference(np.ones((2, 4)), np.zeros((2, 3))))
