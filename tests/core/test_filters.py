from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

from takemill.base.errors import InputError
from takemill.maths import filters, quat


def random_rotations(rng: np.random.Generator, frames: int, step: float = 0.02) -> np.ndarray:
    """A wandering rotation (F, 4)."""
    vectors = filters.butterworth(rng.normal(size=(frames, 3)).cumsum(axis=0) * step, 120.0, 6.0)
    return quat.continuous(quat.exp(vectors))


@given(
    frames=st.integers(2, 700),
    order=st.integers(1, 8),
    share=st.floats(0.01, 0.95),
    seed=st.integers(0, 2**32 - 1),
)
@settings(max_examples=60, deadline=None)
def test_butterworth_equals_sosfiltfilt(frames: int, order: int, share: float, seed: int) -> None:
    """Against scipy.signal.butter and sosfiltfilt, with its default padding where it fits."""
    values = np.random.default_rng(seed).normal(size=(frames, 2, 3)).cumsum(axis=0)
    cutoff = share * 60
    sections = signal.butter(order, cutoff, fs=120, output="sos")
    pad = min(3 * (order + 1), frames - 1)
    expected = signal.sosfiltfilt(sections, values, axis=0, padlen=pad)
    assert np.abs(filters.butterworth(values, 120.0, cutoff, order) - expected).max() < 1e-9
    if pad == 3 * (order + 1) and frames > pad:
        default = signal.sosfiltfilt(sections, values, axis=0)
        assert np.abs(expected - default).max() < 1e-12


def test_butterworth_keeps_a_straight_line_and_a_single_frame() -> None:
    line = np.linspace([0.0, 5.0], [3.0, -2.0], 400)
    inner = slice(150, -150)  # the ends remember the extension, as SciPy's do
    assert np.allclose(filters.butterworth(line, 120.0, 5.0)[inner], line[inner], atol=1e-9)
    one = np.array([[1.0, 2.0]])
    assert np.array_equal(filters.butterworth(one, 120.0, 5.0), one)


@pytest.mark.parametrize("cutoff", [0.0, -1.0, 60.0, 100.0, np.nan])
def test_butterworth_refuses_a_cutoff_outside_the_band(cutoff: float) -> None:
    with pytest.raises(InputError, match="cutoff_hz"):
        filters.butterworth(np.zeros((10, 1)), 120.0, cutoff)


def test_filters_refuse_nan_and_no_frames() -> None:
    with pytest.raises(InputError, match="finite"):
        filters.butterworth(np.array([0.0, np.nan, 1.0]), 120.0, 5.0)
    with pytest.raises(InputError, match="no frames"):
        filters.butterworth(np.zeros((0, 3)), 120.0, 5.0)


def test_moving_mean_against_its_slow_twin() -> None:
    """The mean of an edge-padded window, also of windows longer than the take."""
    rng = np.random.default_rng(31)
    for shape in ((1,), (2, 3), (9, 2, 2), (60,)):
        values = rng.normal(size=shape)
        before = values.copy()
        for half in (0, 1, 2, 4, 8, 9, 10, 59, 60, 75):
            padded = np.pad(values, [(half, half)] + [(0, 0)] * (len(shape) - 1), mode="edge")
            expected = np.array([padded[f : f + 2 * half + 1].mean(axis=0) for f in range(len(values))])
            assert np.abs(filters.moving_mean(values, half) - expected).max() < 1e-12
        assert np.array_equal(values, before)


def test_moving_max_against_its_slow_twin() -> None:
    rng = np.random.default_rng(6)
    for frames in (1, 2, 5, 40):
        for half in (0, 1, 3, 7):
            values = rng.normal(size=(frames, 2))
            held = np.pad(values, [(half, half), (0, 0)], mode="edge")
            expected = [held[frame : frame + 2 * half + 1].max(axis=0) for frame in range(frames)]
            assert np.array_equal(filters.moving_max(values, half), expected)
