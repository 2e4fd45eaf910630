from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import signal

import reference
from takemill import faults, filters, quat
from takemill.denoise import denoise_rotations, denoise_vectors, noise_deviation
from takemill.errors import InputError


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


def test_noise_is_measured_beneath_motion() -> None:
    rng = np.random.default_rng(4)
    t = np.arange(1200) / 120
    motion = np.stack([np.sin(5 * t), np.cos(9 * t), np.sin(2 * t) ** 3], axis=-1)
    for noise in (0.001, 0.01, 0.1):
        found = noise_deviation(motion + noise * rng.normal(size=motion.shape))
        assert found == pytest.approx(noise, rel=0.12)
    assert noise_deviation(motion) < 1e-4
    straight = np.stack([np.interp(t, np.arange(11), rng.normal(size=11)) for _ in range(3)], axis=-1)
    assert noise_deviation(straight) < 1e-6


def test_denoising_beats_the_best_butterworth_on_a_strike() -> None:
    """The near limit of one cut-off for the whole take, chosen with the truth in sight."""
    rng = np.random.default_rng(5)
    t = np.arange(1200) / 120
    strike = 1.2 * np.exp(-(((t[:, None] - [2, 5, 8]) / 0.06) ** 2)).sum(axis=1)
    truth = quat.exp(np.stack([0.1 * np.sin(2 * t), strike, 0 * t], axis=-1))
    noisy = quat.mul(truth, quat.exp(0.01 * rng.normal(size=(len(t), 3))))
    ours = denoise_rotations(noisy, 120.0, 2 * noise_deviation(noisy))

    def error(q: np.ndarray) -> float:
        return float(np.sqrt(np.mean(quat.angle_between(truth, q) ** 2)))

    best = min(error(filters.smooth_rotations(noisy, 120.0, hz)) for hz in np.arange(2.0, 40.0, 1.0))
    assert error(ours) < 0.75 * best


def test_denoising_without_noise_is_identity() -> None:
    values = np.random.default_rng(6).normal(size=(333, 3))
    for frames in (1, 2, 3, 17, 31, 32, 33, 333):
        part = values[:frames]
        assert np.array_equal(denoise_vectors(part, 120.0, 0.0), part)
        assert np.abs(denoise_vectors(part, 120.0, 1e-9) - part).max() < 1e-12  # windows there and back again
        assert np.isfinite(denoise_vectors(part, 120.0, 0.5)).all()


def test_frozen_frames_are_found_to_the_frame_and_a_rest_is_not() -> None:
    rng = np.random.default_rng(7)
    q = quat.mul(random_rotations(rng, 600), quat.exp(0.005 * rng.normal(size=(600, 3))))
    q[100:110] = q[99]
    q[300:302] = q[299]
    q = quat.continuous(q)
    found = faults.find_frozen(q, 2 * noise_deviation(q))
    truth = np.zeros(600, bool)
    truth[100:110] = truth[300:302] = True
    assert np.array_equal(found, truth)
    rest = quat.exp(np.outer(np.clip(np.linspace(-1, 1, 400), 0, 1) ** 3, [0.5, 0.2, 0]))
    assert not faults.find_frozen(rest, 2 * noise_deviation(rest)).any()  # still, then moving off smoothly
    assert not faults.find_frozen(np.tile(quat.IDENTITY, (50, 1)), 0.0).any()


@pytest.mark.parametrize("length", [1, 2, 3, 4])
def test_spikes_are_found_to_the_frame(length: int) -> None:
    rng = np.random.default_rng(8 + length)
    q = quat.mul(random_rotations(rng, 1500), quat.exp(0.008 * rng.normal(size=(1500, 3))))
    truth = np.zeros(1500, bool)
    for start in range(40, 1450, 47):
        truth[start : start + length] = True
    turn = rng.uniform(8, 35, size=1500)[:, None]
    axis = rng.normal(size=(1500, 3))
    axis /= np.linalg.norm(axis, axis=1, keepdims=True)
    spiky = quat.continuous(np.where(truth[:, None], quat.mul(q, quat.exp(np.radians(turn) * axis)), q))
    found = faults.find_spikes(spiky, np.zeros(1500, bool))
    assert (found & truth).sum() >= 0.99 * truth.sum()
    assert (found & ~truth).sum() <= 1


def test_spikes_in_pairs_and_beside_a_freeze() -> None:
    rng = np.random.default_rng(20)
    q = quat.mul(random_rotations(rng, 400), quat.exp(0.006 * rng.normal(size=(400, 3))))
    spikes, frozen = np.zeros(400, bool), np.zeros(400, bool)
    spikes[[100, 103, 104, 200, 201, 260]] = True
    frozen[202:212] = frozen[250:260] = True
    q[spikes] = quat.mul(q[spikes], quat.exp(np.array([0.0, 0.35, 0.1])))
    q[202:212], q[250:260] = q[201], q[249]
    q = quat.continuous(q)
    found_frozen = faults.find_frozen(q, 2 * noise_deviation(q))
    assert np.array_equal(found_frozen, frozen)
    assert np.array_equal(faults.find_spikes(q, found_frozen), spikes)


def test_a_strike_is_no_spike() -> None:
    t = np.arange(600) / 120
    strike = 1.5 * np.exp(-(((t - 2.5) / 0.05) ** 2))  # 70 degrees out and back in a fifth of a second
    q = quat.exp(np.stack([strike, 0 * t, 0 * t], axis=-1))
    noisy = quat.mul(q, quat.exp(0.005 * np.random.default_rng(9).normal(size=(600, 3))))
    for track in (q, noisy):
        assert not faults.find_spikes(quat.continuous(track), np.zeros(600, bool)).any()


def test_a_bridge_keeps_a_parabola_and_leaves_long_gaps() -> None:
    t = np.arange(200.0)
    angle = 0.3 + 0.01 * t - 0.00004 * t * t
    q = quat.exp(np.outer(angle, [0.0, 0.6, 0.8]))
    bad = np.zeros(200, bool)
    bad[50:62] = bad[100:140] = True
    broken = np.where(bad[:, None], quat.IDENTITY, q)
    mended, done = faults.bridge(broken, bad, 30)
    assert quat.angle_between(mended[:100], q[:100]).max() < 1e-9
    assert done[50:62].all()
    assert not done[100:140].any()
    assert np.array_equal(mended[100:140], broken[100:140])


def test_a_bridge_at_an_end_holds() -> None:
    q = quat.exp(np.outer(np.arange(20.0) / 20, [1.0, 0, 0]))
    bad = np.zeros(20, bool)
    bad[:3] = bad[18:] = True
    mended, _ = faults.bridge(q, bad, 30)
    assert np.array_equal(mended[:3], np.tile(q[3], (3, 1)))
    assert np.array_equal(mended[18:], np.tile(q[17], (2, 1)))
    everything, done = faults.bridge(q, np.ones(20, bool), 30)
    assert np.array_equal(everything, q)
    assert not done.any()


def test_moving_max_against_its_slow_twin() -> None:
    rng = np.random.default_rng(6)
    for frames in (1, 2, 5, 40):
        for half in (0, 1, 3, 7):
            values = rng.normal(size=(frames, 2))
            held = np.pad(values, [(half, half), (0, 0)], mode="edge")
            expected = [held[frame : frame + 2 * half + 1].max(axis=0) for frame in range(frames)]
            assert np.array_equal(filters.moving_max(values, half), expected)
