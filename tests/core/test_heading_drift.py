"""A drift of heading from feet that stand on a floor, each of which turns a little by itself."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.feet import heading_drift as heading_drift_file
from takemill.feet.heading_drift import heading_drift

RATE, MINUTES, STEP_S = 30.0, 4, 8.0


def standing_feet(
    drift_deg_min: float, scatter_deg_min: float, seed: int
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Heel and toe (F, 2, 2, 3), when they are flat (F, 2), and the body's heading (F,), which sways widely.

    Every contact lasts 6.4 s, faces anywhere, and turns at the drift's rate and at an error of its own.
    """
    rng = np.random.default_rng(seed)
    t = np.arange(int(MINUTES * 60 * RATE)) / RATE
    drift = np.radians(drift_deg_min) / 60 * t
    points, flat = np.zeros((len(t), 2, 2, 3)), np.zeros((len(t), 2), dtype=bool)
    for foot in range(2):
        part, step = np.modf(t / STEP_S + 0.5 * foot)
        k = step.astype(int)
        flat[:, foot] = part < 0.8
        own = np.radians(rng.normal(0, scatter_deg_min, k.max() + 1))[k] / 60 * part * STEP_S
        yaw = rng.uniform(-3, 3, k.max() + 1)[k] + drift + own
        points[:, foot, 1, :2] = 0.2 * np.stack([np.cos(yaw), np.sin(yaw)], axis=-1)
        points[:, foot, :, :2] += rng.uniform(-2, 2, (k.max() + 1, 2))[k][:, None]
    return points, flat, drift + 2 * np.sin(2 * np.pi * t / 7)


@pytest.mark.parametrize("seed", range(4))
def test_a_steady_drift_is_steady_whatever_the_feet_scatter(seed: int) -> None:
    """A rate changes by about five degrees a minute in a minute: single contacts do not shake it."""
    points, flat, heading = standing_feet(12.0, 4.0, seed)
    found = heading_drift(points, flat, heading, RATE)
    assert found.deg_per_min == pytest.approx(12, abs=2 * found.error_deg_per_min)
    assert abs(found.deg_per_min - 12) < 2
    rates = np.degrees(np.diff(found.heading)) * RATE * 60
    assert np.ptp(rates) < 4


def test_a_drift_that_nobody_could_know_is_none() -> None:
    points, flat, heading = standing_feet(1.0, 4.0, 0)
    found = heading_drift(points, flat, heading, RATE)
    assert found.error_deg_per_min > 0.5
    assert not found.heading.any()


@pytest.mark.parametrize("deg_min", [45.0, -50.0, 80.0, -150.0])
def test_more_than_a_degree_a_second_is_a_turn_and_no_drift(deg_min: float) -> None:
    points, flat, heading = standing_feet(deg_min, 0.5, 1)
    found = heading_drift(points, flat, heading, RATE)
    assert found.deg_per_min == pytest.approx(deg_min, abs=1.0)
    if abs(deg_min) > 60:
        assert not found.heading.any()
    else:
        assert np.degrees(found.heading[-1]) == pytest.approx(deg_min * MINUTES, abs=4.0)


def test_mean_hats_against_a_sum_of_many_steps() -> None:
    rng = np.random.default_rng(2)
    knots = np.linspace(0, 12, 5)
    starts = rng.uniform(0, 11, 40)
    stops = starts + rng.uniform(0.01, 12 - starts)
    found = heading_drift_file._mean_hats(starts, stops, knots)
    for row, start, stop in zip(found, starts, stops, strict=True):
        steps = start + (stop - start) * (np.arange(4000) + 0.5) / 4000
        hats = [np.interp(steps, knots, one).mean() for one in np.eye(len(knots))]
        np.testing.assert_allclose(row, hats, atol=1e-6)


def test_a_stance_counts_by_what_scatter_and_wander_leave_of_its_slope() -> None:
    """Frames scatter by a degree; 400 stances of 20 and of 60 frames.

    The variance of a slope is that of a line through as many points (any textbook), and that of the leg's
    slow errors.
    """
    rng = np.random.default_rng(2)
    lengths = np.tile([20, 60], 200)
    flat = np.concatenate([[False] + [True] * length for length in lengths.tolist()])
    yaw = np.radians(rng.normal(0, 1.0, len(flat)))
    ahead = np.stack([np.cos(yaw), np.sin(yaw), 0 * yaw], axis=-1)
    points = np.stack([0 * ahead, ahead], axis=1)
    starts, stops, _, weights = heading_drift_file._foot_slopes(points, flat, RATE)
    assert (stops - starts).tolist() == lengths.tolist()
    of_line = np.radians(1.0) ** 2 * 12 * RATE**2 / (lengths * (lengths**2 - 1))
    wander = heading_drift_file._wander_variance(lengths / RATE)
    np.testing.assert_allclose(1 / weights, of_line + wander, rtol=0.1)


def test_line_slopes_are_those_of_least_squares() -> None:
    """Against numpy.polyfit, and the squared times about each run's middle."""
    rng = np.random.default_rng(3)
    values = rng.normal(size=200)
    starts, stops = np.array([0, 11, 50, 197]), np.array([9, 14, 180, 200])
    slopes, known = heading_drift_file._line_slopes(values, starts, stops, RATE)
    for slope, squares, start, stop in zip(slopes, known, starts, stops, strict=True):
        times = np.arange(start, stop) / RATE
        assert slope == pytest.approx(np.polyfit(times, values[start:stop], 1)[0])
        assert squares == pytest.approx(((times - times.mean()) ** 2).sum())
