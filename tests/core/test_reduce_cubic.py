"""Cubic curves through keys, against SciPy's Hermite splines and dense least squares."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

from takemill.keys import reduce_cubic
from takemill.keys.key_times import spans_of
from takemill.keys.reduce_cubic import lengths, play_cubic, slopes, wide_keys
from takemill.maths import quat

FRAMES = 40


def keys_at(*frames: int) -> np.ndarray:
    mask = np.zeros((1, FRAMES), bool)
    mask[0, list(frames)] = True
    return mask


def hermite(keys: np.ndarray, values: np.ndarray, steep: np.ndarray) -> np.ndarray:
    """SciPy's curves (D, F), span by span, since a key has a slope for each side."""
    out = np.zeros((len(values), FRAMES))
    for k, (start, stop) in enumerate(pairwise(keys)):
        for d, (value, toward, away) in enumerate(zip(values, steep[0], steep[1], strict=True)):
            curve = CubicHermiteSpline([start, stop], value[k : k + 2], [away[k], toward[k + 1]])
            out[d, start : stop + 1] = curve(np.arange(start, stop + 1))
    return out


@pytest.mark.parametrize("width", [3, 4])
def test_curves_are_played_as_hermite_splines(width: int) -> None:
    """Of glTF 2.0, appendix C.5; rotations come out at unit length."""
    rng = np.random.default_rng(width)
    spans = spans_of(keys_at(0, 7, 8, 30, FRAMES - 1))
    values = rng.normal(size=(width, 5))
    if width == 4:
        values /= np.linalg.norm(values, axis=0)
    steep = 0.1 * rng.normal(size=(2, width, 5))
    found = play_cubic(values, steep, spans, FRAMES)
    wanted = hermite(spans.keys, values, steep)
    if width == 4:
        wanted /= np.linalg.norm(wanted, axis=0)
    np.testing.assert_allclose(found, wanted, atol=1e-6)


def test_slopes_are_those_of_dense_least_squares() -> None:
    """Beside the chord, each pair of slopes by numpy's lstsq, held to the straight line alike."""
    rng = np.random.default_rng(5)
    curves = np.cumsum(rng.normal(size=(2, FRAMES)), axis=1)
    spans = spans_of(keys_at(0, 3, 20, 21, FRAMES - 1))
    values = curves[:, spans.keys]
    found = slopes(curves, values, spans, np.arange(5) == 4)
    for k, (start, stop) in enumerate(pairwise(spans.keys)):
        chord = (values[:, k + 1] - values[:, k]) / (stop - start)
        frames = np.arange(start + 1, stop)
        if len(frames):
            parts = [
                CubicHermiteSpline([start, stop], [0, 0], one)(frames) for one in ([1.0, 0.0], [0.0, 1.0])
            ]
            tie = np.sqrt(reduce_cubic._STRAIGHTNESS_WEIGHT * sum(part @ part for part in parts))
            rows = np.vstack([np.transpose(parts), tie * np.eye(2)])
            line = values[:, k, None] + chord[:, None] * (frames - start)
            right = np.vstack([(curves[:, frames] - line).T, np.zeros((2, 2))])
            wanted = chord + np.linalg.lstsq(rows, right, rcond=None)[0]
        else:
            wanted = np.array([chord, chord])
        np.testing.assert_allclose(found[1][:, k], wanted[0], rtol=1e-5, atol=1e-6)
        np.testing.assert_allclose(found[0][:, k + 1], wanted[1], rtol=1e-5, atol=1e-6)


def test_slopes_of_a_cubic_are_nearly_its_own() -> None:
    """The pull to the straight line costs a few hundredths of the slopes, no more."""
    t = np.arange(FRAMES) / (FRAMES - 1)
    curve = (t**3 - t)[None]
    spans = spans_of(keys_at(0, FRAMES - 1))
    found = slopes(curve, curve[:, spans.keys], spans, np.array([False, True]))
    assert found[1][0, 0] * (FRAMES - 1) == pytest.approx(-1, rel=0.06)
    assert found[0][0, 1] * (FRAMES - 1) == pytest.approx(2, rel=0.06)


def test_what_ends_a_clip_has_no_slope_into_the_next() -> None:
    spans = spans_of(keys_at(0, 10, 11, FRAMES - 1))
    curves = np.where(np.arange(FRAMES) < 11, 0.0, 5.0)[None]
    found = slopes(curves, curves[:, spans.keys], spans, np.array([False, True, False, True]))
    np.testing.assert_allclose(found, 0, atol=1e-6)


@pytest.mark.parametrize("allowed", [0.002, 0.02])
@pytest.mark.parametrize("width", [3, 4])
def test_wide_keys_keep_their_bound_and_are_few(width: int, allowed: float) -> None:
    """Two clips, slow and quick; what is played through the keys lies within the bound, clip by clip."""
    count, last = 150, np.repeat([89, 149], [90, 60])
    t = np.arange(count) / 30
    path = np.stack([np.sin(2 * t), np.cos(3 * t), np.where(t < 3, 0.1 * t, np.sin(9 * t))])[:, None]
    curves = path if width == 3 else quat.exp(np.moveaxis(path, 0, -1)).transpose(2, 0, 1)
    bound = np.full((1, count), allowed)
    keys = wide_keys(curves, bound, last)
    assert keys[0, [0, 89, 149]].all()
    spans = spans_of(keys)
    flat = curves.reshape(width, -1)
    steep = slopes(flat, flat[:, spans.keys], spans, spans.keys == last[spans.keys])
    played = play_cubic(flat[:, spans.keys], steep, spans, count)
    gap = np.linalg.norm(played - flat, axis=0) if width == 3 else quat.angle_between(played.T, flat.T)
    assert gap.max() < allowed * 1.01
    assert keys.sum() < 0.6 * count
    assert keys.sum() <= wide_keys(curves, bound / 8, last).sum()


def test_a_line_takes_keys_at_the_ends_and_where_spans_end() -> None:
    line = np.linspace(0, 1, 300)[None, None]
    keys = wide_keys(line, np.full((1, 300), 1e-4), np.full(300, 299))
    np.testing.assert_array_equal(np.flatnonzero(keys), [0, 128, 256, 299])


def test_lengths_are_those_of_the_span_that_a_frame_lies_in_or_begins() -> None:
    mask = np.array([[letter == "x" for letter in row] for row in ("x..xx.x", "xxxxxxx")])
    np.testing.assert_array_equal(lengths(mask), [[3, 3, 3, 1, 2, 2, 0], [1, 1, 1, 1, 1, 1, 0]])
