"""Bones in another program's axes that follow joints, and their rolls away from where Euler angles fail."""

from __future__ import annotations

import numpy as np

from takemill.files.glb_bones import Bones, clear_rolls
from takemill.maths import quat

PARENTS = (-1, 0, 1, 1)
Z_UP = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])


def placed(rotations, places, scale=1.0):
    out = np.zeros((*rotations.shape[:-1], 4, 4))
    out[..., :3, :3] = quat.to_matrix(rotations) * np.asarray(scale)[..., None, None]
    out[..., :3, 3], out[..., 3, 3] = places, 1
    return out


def random_places(rng, *shape, scale=1.0):
    return placed(quat.normalize(rng.normal(size=(*shape, 4))), rng.normal(size=(*shape, 3)), scale)


def test_bones_moved_from_their_rests_stand_where_their_joints_do():
    """Worked out again as Blender does it: parent's pose, the rest in the parent's, the own movement."""
    rng = np.random.default_rng(5)
    rests, poses, at_rest = (random_places(rng, 4) for _ in range(3))
    sizes = rng.uniform(0.5, 2.0, (6, 4))
    joints, place = random_places(rng, 6, 4, scale=sizes), random_places(rng)
    bones = Bones.of(PARENTS, rests, poses, at_rest, place)
    locations, rotations, scales = bones.bases(joints)
    own = placed(rotations, locations)
    own[..., :3, :3] *= scales[..., None, :]
    posed = np.empty_like(own)
    for bone, parent in enumerate(PARENTS):
        rest = rests[bone] if parent < 0 else np.linalg.inv(rests[parent]) @ rests[bone]
        posed[:, bone] = (rest if parent < 0 else posed[:, parent] @ rest) @ own[:, bone]
    offsets = np.linalg.inv(Z_UP @ at_rest) @ place @ poses  # from joint to bone, which stays
    np.testing.assert_allclose(place @ posed, Z_UP @ joints @ offsets, atol=1e-9)


def test_rolls_keep_the_middle_angle_off_ninety_degrees_and_change_nothing_else():
    rng = np.random.default_rng(6)
    right = quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), np.pi / 2)
    tremble = quat.exp(rng.normal(scale=1e-4, size=(20, 4, 3)))
    turns = quat.to_matrix(quat.mul(right, tremble))
    turns[:, 3] = np.eye(3)
    rolls = clear_rolls(turns, PARENTS)
    assert rolls.any()
    joints = random_places(rng, 20, 4)
    plain = Bones(PARENTS, random_places(rng, 4), np.tile(np.eye(4), (4, 1, 1)), np.eye(4))
    clear = plain.rolled(rolls)
    for bones, parents in ((plain, PARENTS), (clear, PARENTS)):
        assert bones.turns(joints).shape == (20, len(parents), 3, 3)
    about = [quat.to_matrix(quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), roll)) for roll in rolls]
    for bone, parent in enumerate(PARENTS):
        before = about[parent].T if parent >= 0 else np.eye(3)
        sines = (before @ turns[:, bone] @ about[bone])[:, 2, 0]
        assert (np.abs(sines) < 0.9998).all()
        rolled = before @ plain.turns(joints)[:, bone] @ about[bone]
        np.testing.assert_allclose(clear.turns(joints)[:, bone], rolled, atol=1e-12)


def test_bones_that_stay_clear_are_not_rolled():
    turns = quat.to_matrix(quat.exp(np.random.default_rng(7).normal(scale=0.3, size=(20, 4, 3))))
    assert not clear_rolls(turns, PARENTS).any()
