from __future__ import annotations

import numpy as np
import pytest

import reference
from takemill.maths import quat
from takemill.sensors import denoise
from takemill.sensors.denoise import denoise_rotations, denoise_vectors, noise_deviation


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

    best = min(error(reference.smooth_rotations(noisy, 120.0, hz)) for hz in np.arange(2.0, 40.0, 1.0))
    assert error(ours) < 0.75 * best


def test_denoising_without_noise_is_identity() -> None:
    values = np.random.default_rng(6).normal(size=(333, 3))
    for frames in (1, 2, 3, 17, 31, 32, 33, 333):
        part = values[:frames]
        assert np.array_equal(denoise_vectors(part, 120.0, 0.0), part)
        assert np.abs(denoise_vectors(part, 120.0, 1e-9) - part).max() < 1e-12  # windows there and back again
        assert np.isfinite(denoise_vectors(part, 120.0, 0.5)).all()


def test_noise_of_a_long_take_is_known_to_a_hundredth() -> None:
    """Only some of its differences are looked at. Quaternions count as half their turn."""
    rng = np.random.default_rng(14)
    t = np.arange(60_000) / 120
    moving = quat.exp(np.stack([np.sin(3 * t), 0.4 * np.cos(7 * t), 0 * t], axis=-1))
    noisy = quat.continuous(quat.mul(moving, quat.exp(0.01 * rng.normal(size=(len(t), 3)))))
    assert 2 * noise_deviation(noisy) == pytest.approx(0.01, rel=0.02)


def test_denoising_does_not_depend_on_the_axes_it_is_written_in() -> None:
    """Neither those around the joint nor the joint's own."""
    rng = np.random.default_rng(15)
    t = np.arange(900) / 120
    q = quat.mul(
        quat.exp(np.stack([np.sin(4 * t), 0.2 * np.sin(9 * t), 0 * t], axis=-1)),
        quat.exp(0.01 * rng.normal(size=(900, 3))),
    )
    q = quat.continuous(q)
    around, own = quat.exp(np.array([0.4, -2.0, 1.1])), quat.exp(np.array([-1.0, 0.3, 0.7]))
    here = denoise_rotations(quat.mul(quat.mul(around, q), own), 120.0, 0.01)
    there = quat.mul(quat.mul(around, denoise_rotations(q, 120.0, 0.01)), own)
    assert quat.angle_between(here, there).max() < 1e-9


def test_a_hinge_has_a_cutoff_of_its_own() -> None:
    """It swings fast about one slanting axis; about the others only noise is left, and little of that."""
    rng = np.random.default_rng(16)
    t = np.arange(2400) / 120
    axis, square = np.array([0.6, 0.0, 0.8]), np.array([0.8, 0.0, -0.6])
    truth = quat.exp(np.outer(0.6 * np.sin(2 * np.pi * 3 * t + np.sin(t)), axis))
    noisy = quat.continuous(quat.mul(truth, quat.exp(0.01 * rng.normal(size=(2400, 3)))))
    off = quat.log(quat.mul(quat.inv(truth), denoise_rotations(noisy, 120.0, 0.01)))
    along, across = (np.sqrt(np.mean((off @ a) ** 2)) for a in (axis, square))
    assert across < 0.0026  # a low-pass of 4 Hz leaves sqrt(4 / 60) of the noise
    assert across < 0.75 * along


def test_a_rest_keeps_little_of_its_noise() -> None:
    """Three windows a second, with one number each, would keep sqrt(6 / 120) or a fifth of it.

    What chance puts into single frequencies is held down by the frequencies below them.
    """
    noise = np.random.default_rng(19).normal(size=(20_000, 3))
    assert denoise_vectors(noise, 120.0, 1.0).std() < 0.06


def test_where_a_take_is_cut_into_parts_cannot_be_seen() -> None:
    """Its windows are filtered some at a time; a take that starts 100 windows later has other parts."""
    rng = np.random.default_rng(17)
    values = rng.normal(size=(20_000, 1)) + 30 * np.sin(np.arange(20_000) / 90)[:, None]
    whole, later = denoise_vectors(values, 120.0, 1.0), denoise_vectors(values[2000:], 120.0, 1.0)
    assert np.abs(whole[2100:-100] - later[100:-100]).max() < 1e-10


def test_denoising_changes_nothing_of_its_callers_and_stays_of_unit_length() -> None:
    """Also of rotations that lie component by component, and of ones that leave every slow path behind."""
    rng = np.random.default_rng(18)
    spin = quat.from_yaw(2 * np.pi * 4 * np.arange(500) / 120)
    for q in (quat.normalize(rng.normal(size=(500, 4))), quat.continuous(spin)):
        planes = np.ascontiguousarray(q.T).T
        before = planes.copy()
        calm = denoise_rotations(planes, 120.0, 0.01)
        assert np.array_equal(planes, before)
        assert np.abs(quat.length(calm) - 1).max() < 1e-12
    assert quat.angle_between(calm, spin)[60:-60].max() < 0.01  # no more than the noise
    assert np.einsum("fi,fi->f", calm[1:], calm[:-1]).min() > 0


@pytest.mark.parametrize("frames", [1, 2, 3, 11, 39, 40, 41])
def test_takes_shorter_than_a_window(frames: int) -> None:
    q = quat.exp(np.outer(np.arange(frames) * 0.01, [1.0, 0, 0]))
    assert quat.angle_between(denoise_rotations(q, 120.0, 0.01), q).max() < 0.02


@pytest.mark.parametrize("hop", [1, 2, 7, 16])
def test_the_slow_path_of_an_even_course_is_that_course(hop: int) -> None:
    """Weights of each frame add up to 1, and points on a line give the line, each at its block's middle."""
    weights = denoise._spline_weights(hop)
    np.testing.assert_allclose(weights.sum(axis=1), 1.0, atol=1e-12)
    np.testing.assert_allclose(weights @ np.arange(-2.0, 3.0), (np.arange(hop) + 0.5) / hop - 0.5, atol=1e-12)
