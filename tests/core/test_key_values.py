"""Values of keys against NumPy's dense least squares, and how they play."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.keys.key_times import spans_of
from takemill.keys.key_values import fit_values, play
from takemill.maths import quat


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


def test_fits_are_those_of_dense_least_squares_at_keys_and_middles():
    """Source: numpy.linalg.lstsq, on the hat functions of the keys between the fixed ends.

    A middle between two frames is seen at the one before, and its gap taken for an arc's.
    """
    rng = np.random.default_rng(0)
    curves, keys = rng.normal(size=(3, 5, 40)), random_keys(rng, 5, 40)
    found = fit_values(curves.reshape(3, -1), spans_of(keys), ends(keys))
    rows = np.nonzero(keys)[0]
    for row in range(5):
        curve, at = curves[:, row].T, np.flatnonzero(keys[row])
        long = np.flatnonzero(np.diff(at) > 1)
        seen = (at[:-1] + at[1:])[long] // 2
        part = (seen - at[long]) / np.diff(at)[long]
        gaps = curve - hats(keys[row]) @ curve[at]
        moved = np.eye(len(at))
        middles = (moved[long] + moved[long + 1]) / 2
        basis = np.concatenate([moved, middles])[:, 1:-1]
        wanted = np.concatenate([gaps[at], gaps[seen] / (4 * part * (1 - part))[:, None]])
        step = np.linalg.lstsq(basis, wanted, rcond=None)[0]
        np.testing.assert_allclose(found[:, rows == row].T[1:-1], curve[at][1:-1] + step, atol=0.03)
        np.testing.assert_array_equal(found[:, rows == row].T[[0, -1]], curve[[0, -1]])


@pytest.mark.parametrize("span", [2, 3, 8])
def test_the_largest_gap_of_an_arc_is_halved(span):
    keys = np.arange(12 * span + 1)[None] % span == 0
    arc = (np.arange(keys.size) ** 2.0)[None].repeat(3, 0)
    spans = spans_of(keys)
    inner = slice(3 * span, 9 * span)
    fit, on_curve = (
        np.abs(play(v, spans, keys.size) - arc)[:, inner].max()
        for v in (fit_values(arc, spans, ends(keys)), arc[:, spans.keys])
    )
    # Frames beside the middle of an uneven span hold 8/9 of an arc's height.
    assert fit == pytest.approx(on_curve * {2: 0.5, 3: 9 / 16, 8: 0.5}[span], rel=0.02)


def test_a_curve_with_straight_spans_is_met_exactly():
    rng = np.random.default_rng(1)
    keys = random_keys(rng, 4, 30)
    curves = np.stack([hats(row) @ rng.normal(size=(row.sum(), 3)) for row in keys]).transpose(2, 0, 1)
    spans = spans_of(keys)
    found = fit_values(curves.reshape(3, -1), spans, ends(keys))
    np.testing.assert_allclose(found, curves[:, keys], atol=1e-6)
    np.testing.assert_allclose(play(found, spans, 120), curves.reshape(3, -1), atol=1e-6)


def test_every_frame_a_key_changes_nothing():
    curves = np.random.default_rng(2).normal(size=(4, 18))
    keys = np.ones((2, 9), bool)
    found = fit_values(curves, spans_of(keys), ends(keys))
    np.testing.assert_array_equal(found, curves)
    np.testing.assert_array_equal(play(found, spans_of(keys), 18), curves)


def test_keys_play_by_slerp_or_straight():
    rng = np.random.default_rng(3)
    first = quat.normalize(rng.normal(size=4))
    last = quat.mul(first, quat.exp(np.array([0.3, -0.5, 0.4])))
    spans = spans_of(np.array([[True, False, False, False, True]]))
    want = quat.slerp(np.tile(first, (5, 1)), last, np.arange(5) / 4)
    np.testing.assert_allclose(play(np.stack([first, last], axis=1), spans, 5).T, want, atol=1e-8)
    places = rng.normal(size=(3, 2))
    np.testing.assert_allclose(
        play(places, spans, 5), np.linspace(places[:, 0], places[:, 1], 5).T, atol=1e-12
    )
