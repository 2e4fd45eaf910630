from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import make_smoothing_spline

from takemill.maths import quat
from takemill.sensors import gaps
from takemill.sensors.bridge import bridge


@pytest.mark.parametrize("pattern", [(6, 1, 6), (6, 9, 6), (4, 3, 2), (2, 15, 6)])
def test_weights_are_those_of_the_smoothing_spline(pattern: tuple[int, int, int]) -> None:
    """scipy.interpolate.make_smoothing_spline, whose penalty is one over the looseness."""
    before, length, after = pattern
    weights = gaps._build_system(*pattern)[0]
    places = np.concatenate([np.arange(6 - before, 6), np.arange(6, 6 + after) + length])
    values = np.random.default_rng(3).normal(size=len(places))
    everywhere = np.zeros(12)
    everywhere[6 - before : 6 + after] = values
    for loose, own in zip(gaps._SLOPE_VARIANCES, weights, strict=True):
        if len(places) < 5:  # scipy asks for five
            continue
        spline = make_smoothing_spline(places.astype(float), values, lam=1 / loose)
        assert np.abs(own @ everywhere - spline(np.arange(length) + 6)).max() < 1e-6


def test_likelihood_is_that_of_the_data_less_a_line() -> None:
    """Restricted likelihood by its definition: the density of what is left when lines are taken off."""
    _, misfits, constants = gaps._build_system(6, 4, 5)
    time = np.concatenate([np.arange(1, 7), np.arange(11, 16)]).astype(float)
    rest = np.linalg.svd(np.stack([np.ones(11), time]))[2][2:]
    values = np.random.default_rng(5).normal(size=(11, 3))
    found, expected = [], []
    for loose, form, constant in zip(gaps._SLOPE_VARIANCES, misfits, constants, strict=True):
        early, late = np.minimum.outer(time, time), np.maximum.outer(time, time)
        spread = rest @ (loose * (early**2 * (late / 2 - early / 6)) + np.eye(11)) @ rest.T
        left = rest @ values
        expected.append(
            -0.5 * np.sum(left * np.linalg.solve(spread, left)) - 1.5 * np.linalg.slogdet(spread)[1]
        )
        found.append(-0.5 * np.sum(values * (form[:11, :11] @ values)) - constant)
    assert np.diff(found) == pytest.approx(np.diff(expected), abs=1e-8)


def test_a_steady_turn_is_filled_exactly() -> None:
    q = quat.exp(np.arange(60)[:, None] * np.array([0.02, 0.01, -0.01]))
    bad = np.zeros(60, bool)
    bad[[20, 30, 31, 32, 33, 34, 35, 40, 42]] = True
    broken = q.copy()
    broken[bad] = quat.IDENTITY
    kept = broken.copy()
    repaired, done = gaps.fill(broken, bad, 1e-3, 30)
    assert np.array_equal(done, bad)
    assert quat.angle_between(repaired, q).max() < 1e-9
    assert np.array_equal(broken, kept)


def test_noise_is_forgotten_and_a_strike_is_followed() -> None:
    """Against the bridge of `faults`, whose slopes shake with their neighbours."""
    rng = np.random.default_rng(7)
    t = np.arange(2400) / 120
    calm = np.stack([0.2 * np.sin(2 * t), 0.1 * np.cos(t), 0 * t], axis=-1)
    strike = calm + np.stack([0 * t, 0 * t, 0.8 * np.sin(9 * t)], axis=-1)
    bad = np.zeros(len(t), bool)
    for start in range(50, 2300, 75):
        bad[start : start + 10] = True
    for path, share in ((calm, 0.35), (strike, 0.8)):
        q = quat.exp(path)
        noisy = quat.continuous(quat.mul(q, quat.exp(0.009 * rng.normal(size=path.shape))))
        ours, theirs = (
            np.sqrt(np.mean(quat.angle_between(repaired, q)[bad] ** 2))
            for repaired in (gaps.fill(noisy, bad, 0.009, 30)[0], bridge(noisy, bad, 30)[0])
        )
        assert ours < share * theirs


def test_ends_hold_and_long_gaps_stay() -> None:
    q = quat.exp(np.arange(100)[:, None] * np.array([0.0, 0.01, 0.0]))
    bad = np.zeros(100, bool)
    bad[:5] = bad[40:75] = bad[97:] = True
    repaired, done = gaps.fill(q, bad, 1e-3, 30)
    assert done.sum() == 8
    assert not done[40:75].any()
    assert np.abs(repaired[:5] - q[5]).max() < 1e-12
    assert np.abs(repaired[97:] - q[96]).max() < 1e-12
    assert np.array_equal(repaired[5:97], q[5:97])
    everything, done = gaps.fill(q, np.ones(100, bool), 1e-3, 300)
    assert np.array_equal(everything, q)
    assert not done.any()
