from __future__ import annotations

import numpy as np
import pytest

from takemill.maths.blocks import block_tridiagonal, each_solved


@pytest.mark.parametrize("count", [1, 2, 3, 4, 7, 12])
def test_block_tridiagonal_against_the_whole_matrix(count: int) -> None:
    rng = np.random.default_rng(count)
    size = 4
    above = rng.normal(size=(count - 1, size, size))
    diagonal = rng.normal(size=(count, size, size))
    diagonal = diagonal @ diagonal.swapaxes(1, 2) + 12 * np.eye(size)
    whole = np.zeros((count, size, count, size))
    for k in range(count):
        whole[k, :, k] = diagonal[k]
        if k + 1 < count:
            whole[k, :, k + 1], whole[k + 1, :, k] = above[k], above[k].T
    right = rng.normal(size=(count, size))
    expected = np.linalg.solve(whole.reshape(count * size, -1), right.ravel()).reshape(count, size)
    np.testing.assert_allclose(block_tridiagonal(diagonal, above, right), expected, atol=1e-12)


@pytest.mark.parametrize(("size", "count"), [(1, 5), (3, 5), (4, 5), (12, 5), (40, 20)])
def test_each_solved_against_numpy(size: int, count: int) -> None:
    """Against numpy.linalg.solve, LAPACK; the last are more than are worked on at a time."""
    rng = np.random.default_rng(size)
    matrices = rng.normal(size=(count, 10, size, size))
    matrices = matrices @ matrices.swapaxes(-1, -2) + 0.1 * np.eye(size)
    right = rng.normal(size=(count, 10, size, 2))
    before = matrices.copy(), right.copy()
    np.testing.assert_allclose(each_solved(matrices, right), np.linalg.solve(matrices, right), rtol=1e-9)
    assert np.array_equal(matrices, before[0])
    assert np.array_equal(right, before[1])
