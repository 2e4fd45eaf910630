"""Many small systems of equations at once: each alone, or each coupled with its neighbours."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

# Of systems worked on at a time: of 28 unknowns 0.6 of the time is needed that all at once take (measured).
_CACHED_NUMBERS = 1 << 18


def each_solved(matrices: Array, right: Array) -> Array:
    """Solves for x (..., B, C) each of the positive definite systems (..., B, B) x = right (..., B, C).

    By Gauss and Jordan, many at once: LAPACK is called for one after the other and starts threads for each.
    """
    size = matrices.shape[-1]
    rows = np.concatenate([matrices, right], axis=-1)
    systems = rows.reshape(-1, *rows.shape[-2:])
    step = max(_CACHED_NUMBERS // max(rows.shape[-2] * rows.shape[-1], 1), 1)
    for part in (systems[start : start + step] for start in range(0, len(systems), step)):
        for k in range(size):
            pivot = part[:, k, k + 1 :] / part[:, k, k, None]
            part[:, :, k + 1 :] -= part[:, :, k, None] * pivot[:, None, :]
            part[:, k, k + 1 :] = pivot
    return rows[..., size:]


def block_tridiagonal(diagonal: Array, above: Array, right: Array) -> Array:
    """Solves a symmetric positive definite system in blocks for x (N, B), in a time that grows with N.

    Every other block is taken out of the system until one is left (block cyclic reduction: Golub and Van
    Loan, Matrix Computations, 4.5.4; from memory).

    Args:
        diagonal: (N, B, B).
        above: (N - 1, B, B), the blocks over the diagonal; those under it are their transposes.
        right: (N, B).
    """
    count, size = right.shape
    if count == 1:
        return each_solved(diagonal, right[..., None])[..., 0]
    before, after = above[::2], above[1::2]  # couple odd blocks to the even ones before and after them
    last = count // 2 - len(after)  # 1 where the last odd block has none after it
    onward = np.concatenate([after, np.zeros((last, size, size))])
    known = np.concatenate([before.swapaxes(1, 2), onward, right[1::2, :, None]], axis=2)
    solved = each_solved(diagonal[1::2], known)
    back, ahead, alone = solved[..., :size], solved[: len(after), :, size:-1], solved[..., -1:]
    lead = after.swapaxes(1, 2)
    even, pull = diagonal[::2].copy(), right[::2, :, None].copy()
    even[: len(before)] -= before @ back
    pull[: len(before)] -= before @ alone
    even[1:] -= lead @ ahead
    pull[1:] -= lead @ alone[: len(after)]
    out = np.empty((count, size))
    out[::2] = block_tridiagonal(even, -before[: len(after)] @ ahead, pull[..., 0])
    odd = alone - back @ out[: 2 * len(before) : 2, :, None]
    odd[: len(after)] -= ahead @ out[2::2, :, None]
    out[1::2] = odd[..., 0]
    return out
