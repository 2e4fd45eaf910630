"""Forward kinematics against 4x4 matrices multiplied one by one, exact answers, and its inverse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation

from takemill.maths import kinematics, quat

HALF = np.sqrt(0.5)


def random_tree(seed: int, joints: int = 9, *lead: int):
    rng = np.random.default_rng(seed)
    parents = [-1, *(int(rng.integers(-1, joint)) for joint in range(1, joints))]
    rotations = quat.normalize(rng.normal(size=(*lead, joints, 4)))
    return parents, rotations, rng.normal(size=(*lead, joints, 3))


def matrix(q, t):
    """SciPy's matrix of one joint (4, 4)."""
    out = np.eye(4)
    out[:3, :3] = Rotation.from_quat(np.roll(q, -1)).as_matrix()
    out[:3, 3] = t
    return out


@pytest.mark.parametrize("seed", range(4))
def test_model_space_is_the_product_of_matrices(seed):
    parents, rotations, translations = random_tree(seed, 9, 3)
    model_q, model_p = kinematics.model_from_local(parents, rotations, translations)
    for frame in range(3):
        for joint in range(9):
            whole, at = np.eye(4), joint
            while at >= 0:
                whole = matrix(rotations[frame, at], translations[frame, at]) @ whole
                at = parents[at]
            np.testing.assert_allclose(model_p[frame, joint], whole[:3, 3], atol=1e-12)
            np.testing.assert_allclose(quat.to_matrix(model_q[frame, joint]), whole[:3, :3], atol=1e-12)


@pytest.mark.parametrize("lead", [(), (3,)])
def test_matrices_lead_to_the_same_places(lead):
    parents, rotations, translations = random_tree(1, 9, *lead)
    local = np.zeros((*lead, 9, 4, 4))
    local[..., :3, :3], local[..., :3, 3], local[..., 3, 3] = quat.to_matrix(rotations), translations, 1.0
    model_q, model_p = kinematics.model_from_local(parents, rotations, translations)
    model = kinematics.model_from_matrices(parents, local)
    np.testing.assert_allclose(model[..., :3, 3], model_p, atol=1e-12)
    np.testing.assert_allclose(model[..., :3, :3], quat.to_matrix(model_q), atol=1e-12)


@given(st.integers(0, 10**6), st.integers(1, 12))
def test_local_and_model_undo_each_other(seed, joints):
    parents, rotations, translations = random_tree(seed, joints, 2)
    model = kinematics.model_from_local(parents, rotations, translations)
    back_q, back_t = kinematics.local_from_model(parents, *model)
    np.testing.assert_allclose(back_q, rotations, atol=1e-12)
    np.testing.assert_allclose(back_t, translations, atol=1e-11)


def test_a_bent_arm_reaches_where_it_must():
    """Two bones of 1 along X; the second is bent by 90 degrees about Z, so the tip lies at (1, 1, 0)."""
    rotations = np.array([[1, 0, 0, 0], [HALF, 0, 0, HALF], [1, 0, 0, 0.0]])
    translations = np.array([[0, 0, 0], [1, 0, 0], [1, 0, 0.0]])
    model_q, model_p = kinematics.model_from_local([-1, 0, 1], rotations, translations)
    np.testing.assert_allclose(model_p, [[0, 0, 0], [1, 0, 0], [1, 1, 0]], atol=1e-15)
    np.testing.assert_allclose(model_q[2], [HALF, 0, 0, HALF], atol=1e-15)


def test_two_roots_do_not_move_each_other():
    parents, rotations, translations = [-1, -1], np.array([[HALF, HALF, 0, 0], [1, 0, 0, 0]]), np.ones((2, 3))
    model_q, model_p = kinematics.model_from_local(parents, rotations, translations)
    np.testing.assert_array_equal(model_q, rotations)
    np.testing.assert_array_equal(model_p, translations)


def test_rest_translations_broadcast_over_frames():
    parents, rotations, _ = random_tree(3, 5, 7)
    rest = np.random.default_rng(4).normal(size=(5, 3))
    short = kinematics.model_from_local(parents, rotations, rest)
    long = kinematics.model_from_local(parents, rotations, np.broadcast_to(rest, (7, 5, 3)))
    for one, other in zip(short, long, strict=True):
        np.testing.assert_array_equal(one, other)
    assert short[1].shape == (7, 5, 3)


def test_nothing_writes_into_what_it_is_given():
    parents, rotations, translations = random_tree(5, 6, 2)
    rotations.setflags(write=False)
    translations.setflags(write=False)
    model = kinematics.model_from_local(parents, rotations, translations)
    for array in model:
        array.setflags(write=False)
    kinematics.local_from_model(parents, *model)


def test_a_few_poses_are_posed_as_many_are():
    """Joints of one depth go together where there are few poses; the last digit is the same."""
    parents, rotations, translations = random_tree(4, 30, 40)
    many = kinematics.model_from_local(parents, rotations, translations)
    for frame in range(40):
        few = kinematics.model_from_local(parents, rotations[frame], translations[frame])
        np.testing.assert_array_equal(few[0], many[0][frame])
        np.testing.assert_array_equal(few[1], many[1][frame])
    rest = kinematics.model_from_local(parents, rotations[:3], translations[0])
    np.testing.assert_array_equal(
        rest[1][2], kinematics.model_from_local(parents, rotations[2], translations[0])[1]
    )
