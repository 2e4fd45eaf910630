"""Rotation algebra with the components first, against `quat` and SciPy."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from takemill.keys import reduce_planes as planes
from takemill.maths import quat

RNG = np.random.default_rng(0)
A, B = quat.normalize(RNG.normal(size=(2, 50, 4)))
V = RNG.normal(size=(50, 3))


def test_products_and_turned_vectors_are_those_of_quat():
    np.testing.assert_allclose(planes.mul(A.T, B.T).T, quat.mul(A, B), atol=1e-14)
    np.testing.assert_allclose(planes.rotate(A.T, V.T).T, quat.rotate(A, V), atol=1e-14)
    np.testing.assert_allclose(planes.cross(A.T[1:], V.T).T, np.cross(A[:, 1:], V), atol=1e-14)
    np.testing.assert_allclose(planes.dot(A.T, B.T), np.sum(A * B, axis=1), atol=1e-14)
    np.testing.assert_allclose(planes.unit(3 * A.T).T, A, atol=1e-14)


def test_small_errors_are_rotation_vectors():
    """Source: SciPy's Rotation."""
    turn = Rotation.from_rotvec(V * 1e-2)
    turned = (turn * Rotation.from_quat(A[:, [1, 2, 3, 0]])).as_quat()[:, [3, 0, 1, 2]]
    turned *= np.sign(np.sum(turned * A, axis=1, keepdims=True))
    np.testing.assert_allclose(planes.error(turned.T, A.T).T, turn.as_rotvec(), atol=5e-6)


def test_half_a_turn_is_no_small_error():
    there, back = np.eye(4)[:, :1], np.eye(4)[:, 1:2]
    np.testing.assert_allclose(planes.error(back, there)[:, 0], [2, 0, 0])


@pytest.mark.parametrize(
    ("angle", "tolerance"), [(1e-4, 1e-15), (0.1, 1e-14), (0.5, 1e-9), (1.0, 2e-7), (1.5, 5e-6)]
)
def test_slerp_is_exact_enough_up_to_a_radian_and_a_half(angle, tolerance):
    axis = V / np.linalg.norm(V, axis=1, keepdims=True)
    end, part = quat.mul(A, quat.exp(axis * angle)), RNG.uniform(size=50)
    found = planes.slerp(A.T, end.T, part).T
    np.testing.assert_allclose(found, quat.slerp(A, end, part), atol=tolerance)


def test_single_precision_stays_single():
    single = A.T.astype(np.float32)
    for made in (
        planes.mul(single, single),
        planes.rotate(single, single[1:]),
        planes.slerp(single, single, single[0]),
    ):
        assert made.dtype == np.float32
