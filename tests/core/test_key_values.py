"""Values of keys against NumPy's dense least squares, and how they play."""

from __future__ import annotations

import numpy as np

from takemill import key_values, quat
from takemill.key_times import spans_of
from takemill.key_values import fitted, played


def random_keys(rng: np.random.Generator, count: int, frames: int) -> np.ndarray:
    keys = rng.uniform(size=(count, frames)) < 0.4
    keys[:, [0, -1]] = True
    return keys


def hats(keys: np.ndarray) -> np.ndarray:
    """(F, N): what each of N keys adds to each frame."""
    at = np.flatnonzero(keys)
    return np.stack([np.interp(np.arange(len(keys)), at, row) for row in np.eye(len(at))], axis=1)


def ends(keys: np.ndarray) -> np.ndarray:
    at = np.nonzero(keys)[1]
    return (at == 0) | (at == keys.shape[1] - 1)


def test_fits_go_towards_those_of_dense_least_squares():
    """Source: numpy.linalg.lstsq, on the hat functions of the keys between the fixed ends."""
    rng = np.random.default_rng(0)
    curves, keys = rng.normal(size=(3, 5, 40)), random_keys(rng, 5, 40)
    found = fitted(curves.reshape(3, -1), spans_of(keys), ends(keys))
    rows = np.nonzero(keys)[0]
    for row in range(5):
        curve, basis = curves[:, row].T, hats(keys[row])
        fixed = basis[:, [0, -1]] @ curve[[0, -1]]
        want = np.linalg.lstsq(basis[:, 1:-1], curve - fixed, rcond=None)[0]
        on_curve = curve[keys[row]][1:-1]
        want = on_curve + key_values._TOWARDS * (want - on_curve)
        np.testing.assert_allclose(found[:, rows == row].T[1:-1], want, atol=0.03)
        np.testing.assert_array_equal(found[:, rows == row].T[[0, -1]], curve[[0, -1]])


def test_the_part_of_the_way_keeps_the_largest_gap_of_an_arc_smaller():
    """Not the whole way: the squares are least where the keys lie farther off than the middles."""
    keys = np.arange(97)[None] % 8 == 0
    arc = (np.arange(97.0) ** 2)[None].repeat(3, 0)
    spans = spans_of(keys)
    on_curve = arc[:, spans.keys]
    found = fitted(arc, spans, ends(keys))
    whole = on_curve + (found - on_curve) / key_values._TOWARDS
    inner = slice(24, 72)
    gaps = [np.abs(played(v, spans, 97) - arc)[:, inner].max() for v in (found, whole, on_curve)]
    assert gaps[0] < gaps[1] < gaps[2]


def test_a_curve_with_straight_spans_is_met_exactly():
    rng = np.random.default_rng(1)
    keys = random_keys(rng, 4, 30)
    curves = np.stack([hats(row) @ rng.normal(size=(row.sum(), 3)) for row in keys]).transpose(2, 0, 1)
    spans = spans_of(keys)
    found = fitted(curves.reshape(3, -1), spans, ends(keys))
    np.testing.assert_allclose(found, curves[:, keys], atol=1e-6)
    np.testing.assert_allclose(played(found, spans, 120), curves.reshape(3, -1), atol=1e-6)


def test_every_frame_a_key_changes_nothing():
    curves = np.random.default_rng(2).normal(size=(4, 18))
    keys = np.ones((2, 9), bool)
    found = fitted(curves, spans_of(keys), ends(keys))
    np.testing.assert_array_equal(found, curves)
    np.testing.assert_array_equal(played(found, spans_of(keys), 18), curves)


def test_keys_play_by_slerp_or_straight():
    rng = np.random.default_rng(3)
    first = quat.normalize(rng.normal(size=4))
    last = quat.mul(first, quat.exp(np.array([0.3, -0.5, 0.4])))
    spans = spans_of(np.array([[True, False, False, False, True]]))
    want = quat.slerp(np.tile(first, (5, 1)), last, np.arange(5) / 4)
    np.testing.assert_allclose(played(np.stack([first, last], axis=1), spans, 5).T, want, atol=1e-8)
    places = rng.normal(size=(3, 2))
    np.testing.assert_allclose(
        played(places, spans, 5), np.linspace(places[:, 0], places[:, 1], 5).T, atol=1e-12
    )
