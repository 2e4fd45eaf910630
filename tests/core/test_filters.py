from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

import reference
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


def test_smooth_rotations_does_not_depend_on_the_frame_it_is_written_in() -> None:
    rng = np.random.default_rng(1)
    q = random_rotations(rng, 500)
    turn = quat.exp(np.array([0.4, -2.0, 1.1]))
    there = quat.mul(turn, filters.smooth_rotations(q, 120.0, 6.0))
    here = filters.smooth_rotations(quat.mul(turn, q), 120.0, 6.0)
    assert quat.angle_between(there, here).max() < 1e-9


def test_smooth_rotations_keeps_a_steady_spin() -> None:
    """Two turns a second: rotation vectors from the start would wrap."""
    t = np.arange(600) / 120
    q = quat.continuous(quat.from_yaw(4 * np.pi * t))
    smooth = filters.smooth_rotations(q, 120.0, 8.0)
    assert quat.angle_between(q, smooth)[150:-150].max() < 1e-9
    assert np.abs(np.linalg.norm(smooth, axis=-1) - 1).max() < 1e-12


@given(frames=st.integers(1, 60), half=st.integers(1, 6), seed=st.integers(0, 2**32 - 1), data=st.data())
@settings(max_examples=50, deadline=None)
def test_savitzky_golay_against_its_slow_twin(frames: int, half: int, seed: int, data: st.DataObject) -> None:
    degree = data.draw(st.integers(0, min(2 * half, 4)))
    derivative = data.draw(st.integers(0, 2))
    values = np.random.default_rng(seed).normal(size=frames)
    expected = reference.savitzky_golay(values, half, degree, derivative)
    assert np.allclose(filters.savitzky_golay(values, half, degree, derivative), expected, atol=1e-8)


def test_savitzky_golay_equals_scipy_and_keeps_a_cubic() -> None:
    """Against scipy.signal.savgol_filter with mode "interp"."""
    values = np.random.default_rng(2).normal(size=(80, 3))
    for derivative in (0, 1, 2):
        expected = signal.savgol_filter(values, 11, 3, deriv=derivative, axis=0)
        assert np.allclose(filters.savitzky_golay(values, 5, 3, derivative), expected, atol=1e-10)
    t = np.linspace(-1, 1, 50)
    cubic = t**3 - 2 * t + 1
    assert np.allclose(filters.savitzky_golay(cubic, 4, 3), cubic, atol=1e-12)


@given(frames=st.integers(1, 80), half=st.integers(1, 6), seed=st.integers(0, 2**32 - 1))
@settings(max_examples=50, deadline=None)
def test_hampel_against_its_slow_twin(frames: int, half: int, seed: int) -> None:
    rng = np.random.default_rng(seed)
    values = rng.normal(size=frames)
    values[rng.integers(0, frames, size=3)] += 9
    assert filters.hampel(values, half, 3.0).tolist() == reference.hampel(values, half, 3.0)


def test_residual_cutoff_of_a_signal_with_a_known_answer() -> None:
    """A sine in white noise: the line reads the noise's RMS, and the residual falls to it above the sine.

    An ideal low-pass at f leaves sqrt(1 - f/60) of white noise at 120 frames a second; where the sine is
    through as well, the residual lies below the noise's RMS, and where it is not, above. So the cut-off
    lies over the sine.
    """
    t = np.arange(6000) / 120
    values = np.sin(2 * np.pi * 2 * t) + 0.05 * np.random.default_rng(3).normal(size=len(t))
    assert 2.0 < filters.residual_cutoff(values, 120.0, 15.0) < 8.0
    faster = np.sin(2 * np.pi * 10 * t) + 0.05 * np.random.default_rng(3).normal(size=len(t))
    assert filters.residual_cutoff(faster, 120.0, 25.0) > 10.0


def test_residual_cutoff_against_a_calculation_in_frequencies() -> None:
    """The residual of a sine in white noise follows from the filter's response, scipy.signal.sosfreqz.

    A pass forward and back takes G = |H|^2 of each frequency, so the residual's power is that of the sine
    times (1 - G)^2 and that of the noise times the mean of (1 - G)^2. The line and the crossing are Winter's.
    """
    noise, sine_hz = 0.05, 4.0
    tries = np.linspace(1, 54, 2000)
    residual = []
    for hz in tries:
        sections = signal.butter(4, hz, fs=120, output="sos")
        kept = np.abs(signal.sosfreqz(sections, np.linspace(0, 60, 1200), fs=120)[1]) ** 2
        at_sine = np.abs(signal.sosfreqz(sections, [sine_hz], fs=120)[1][0]) ** 2
        residual.append(np.sqrt((1 - at_sine) ** 2 / 2 + noise**2 * np.mean((1 - kept) ** 2)))
    line = tries >= 20
    _, level = np.polyfit(tries[line], np.array(residual)[line], 1)
    expected = tries[np.argmax(np.array(residual) <= level)]
    t = np.arange(24000) / 120
    values = np.sin(2 * np.pi * sine_hz * t) + noise * np.random.default_rng(9).normal(size=len(t))
    assert filters.residual_cutoff(values, 120.0, 20.0) == pytest.approx(expected, abs=1.0)  # its own steps


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
