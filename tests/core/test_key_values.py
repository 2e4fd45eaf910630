"""Values of keys against NumPy's dense least squares, and how they play."""

from __future__ import annotations

import numpy as np

from takemill import quat
from takemill.key_values import chords, fitted, played


def random_keys(rng: np.random.Generator, count: int, frames: int) -> np.ndarray:
    keys = rng.uniform(size=(count, frames)) < 0.4
    keys[:, [0, -1]] = True
    return keys


def hats(keys: np.ndarray) -> np.ndarray:
    """(F, N): what each of N keys adds to each frame."""
    at = np.flatnonzero(keys)
    return np.stack([np.interp(np.arange(len(keys)), at, row) for row in np.eye(len(at))], axis=1)


def test_fits_are_those_of_dense_least_squares():
    """Source: numpy.linalg.lstsq, on the hat functions of the keys between the fixed ends."""
    rng = np.random.default_rng(0)
    curves, keys = rng.normal(size=(5, 40, 3)), random_keys(rng, 5, 40)
    found = fitted(curves, keys)
    for row in range(5):
        basis = hats(keys[row])
        ends = basis[:, [0, -1]] @ curves[row][[0, -1]]
        want = np.linalg.lstsq(basis[:, 1:-1], curves[row] - ends, rcond=None)[0]
        np.testing.assert_allclose(found[row, keys[row]][1:-1], want, atol=1e-4)
        np.testing.assert_array_equal(found[row][[0, -1]], curves[row][[0, -1]])


def test_a_curve_with_straight_spans_is_met_exactly():
    rng = np.random.default_rng(1)
    keys = random_keys(rng, 4, 30)
    curves = np.stack([hats(row) @ rng.normal(size=(row.sum(), 4)) for row in keys])
    found = fitted(curves, keys)
    np.testing.assert_allclose(found[keys], curves[keys], atol=1e-4)
    np.testing.assert_allclose(chords(found, keys), curves, atol=1e-4)


def test_every_frame_a_key_changes_nothing():
    curves = np.random.default_rng(2).normal(size=(2, 9, 4))
    keys = np.ones((2, 9), bool)
    np.testing.assert_array_equal(fitted(curves, keys), curves)
    np.testing.assert_array_equal(played(curves, keys), curves)


def test_keys_play_by_slerp_or_straight():
    rng = np.random.default_rng(3)
    turns = quat.normalize(rng.normal(size=(1, 5, 4)))
    keys = np.array([[True, False, False, False, True]])
    want = quat.slerp(np.tile(turns[0, 0], (5, 1)), turns[0, 4], np.arange(5) / 4)
    np.testing.assert_allclose(played(turns, keys)[0], want, atol=1e-12)
    places = rng.normal(size=(1, 5, 3))
    np.testing.assert_allclose(
        played(places, keys)[0], np.linspace(places[0, 0], places[0, 4], 5), atol=1e-12
    )
