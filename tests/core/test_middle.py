"""The geometric median, against SciPy's minimiser."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import minimize

from takemill.maths import quat
from takemill.maths.middle import middle


def total(at, points) -> float:
    return float(np.linalg.norm(points - at, axis=1).sum())


@pytest.mark.parametrize("seed", range(5))
def test_no_point_has_a_smaller_sum_of_distances(seed):
    points = np.random.default_rng(seed).normal(size=(9, 3))
    found = minimize(total, points.mean(axis=0), args=(points,), method="Nelder-Mead", tol=1e-12)
    assert total(middle(points), points) <= found.fun + 1e-9


def test_it_turns_with_its_points():
    rng = np.random.default_rng(3)
    points, turn = rng.normal(size=(20, 3)), quat.normalize(rng.normal(size=4))
    np.testing.assert_allclose(
        middle(quat.rotate(turn, points)), quat.rotate(turn, middle(points)), atol=1e-9
    )


def test_an_outlier_counts_little():
    points = np.array([[0.0, 0], [0.1, 0], [0, 0.1], [0.1, 0.1], [100, 100]])
    assert np.linalg.norm(middle(points)) < 0.2


@pytest.mark.parametrize("count", [1, 2, 5])
def test_equal_points_are_their_middle(count):
    np.testing.assert_array_equal(middle(np.tile([1.0, 2.0], (count, 1))), [1.0, 2.0])


def test_a_middle_that_is_one_of_the_points_is_found():
    """Of a cross its centre, on which a step of Weiszfeld's divides by nothing."""
    points = np.array([[0.0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    np.testing.assert_allclose(middle(points), 0.0, atol=1e-12)
