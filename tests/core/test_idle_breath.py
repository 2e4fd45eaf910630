"""The breath of a calm body: its pace and phase against breaths that are known; none where there is none."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import hilbert

from idle_takes import known_idle
from takemill.base.checks import Array
from takemill.idle.idle_breath import _fit_phase, find_breath
from takemill.maths import quat


def off_by(found: Array, known: Array) -> Array:
    """How far phases (N,) are from known ones, but for a constant, in breaths."""
    off = found - known
    mean = np.angle(np.exp(2j * np.pi * off).mean()) / (2 * np.pi)
    return np.abs((off - mean + 0.5) % 1 - 0.5)


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("breath_hz", [0.2, 0.25, 0.4])
def test_the_breath_is_that_of_the_body(seed: int, breath_hz: float) -> None:
    known = known_idle(seed, 20.0, breath_hz=breath_hz)
    found = find_breath(known.motion, known.body, np.zeros(len(known.motion), int))
    assert found is not None
    assert found.rate_hz == pytest.approx(breath_hz, rel=0.1)
    assert np.percentile(off_by(found.phase, known.phase), 95) < 0.06
    highest = np.angle(np.exp(2j * np.pi * (found.phase - known.phase)).mean()) / (2 * np.pi)
    assert abs(highest) < 0.12  # whole where the chest is highest; the wave leans, as it sinks for longer


def test_short_stretches_have_the_phase_of_the_others() -> None:
    known = known_idle(5, 24.0)
    frames = np.concatenate([np.arange(0, 720), np.arange(800, 980), np.arange(1100, 1300)])
    stretch = np.repeat([0, 1, 2], [720, 180, 200])
    part = known.motion.sampled(frames.astype(float), known.motion.rate)
    found = find_breath(part, known.body, stretch)
    assert found is not None
    for k in (1, 2):
        off = found.phase[stretch == k] - known.phase[frames[stretch == k]]
        usual = (found.phase - known.phase[frames])[stretch == 0]
        apart = np.angle(np.exp(2j * np.pi * (off.mean() - usual.mean()))) / (2 * np.pi)
        assert abs(apart) < 0.12


def test_a_body_that_holds_its_breath_has_none() -> None:
    for seed in range(3):
        held = known_idle(seed, 15.0, breath_deg=0.0, sway_deg=0.0, noise_deg=0.2)
        still = held.motion.with_translation(
            0, np.repeat(held.motion.root_translation[:1], len(held.motion), 0)
        )
        assert find_breath(still, held.body, np.zeros(len(still), int)) is None
    assert find_breath(held.motion.slice(0, 20), held.body, np.zeros(20, int)) is None


def test_whose_breath_hardly_shows_has_none() -> None:
    known = known_idle(1, 15.0, breath_deg=0.02, sway_deg=0.0, noise_deg=0.0)
    flat = quat.slerp(known.motion.rotations[:1], known.motion.rotations, np.full((1, 1), 0.05))
    still = known.motion.with_rotations(flat)
    assert find_breath(still, known.body, np.zeros(len(still), int)) is None


def test_the_phase_of_a_wave_is_that_of_its_analytic_signal() -> None:
    """Beside scipy.signal.hilbert, away from the ends, which it does not know."""
    t = np.arange(400) / 10.0
    signal = 0.3 * np.cos(2 * np.pi * 0.25 * t + 0.7) + 0.01 * t
    ours = _fit_phase(signal, 10.0, 0.25)
    theirs = np.unwrap(np.angle(hilbert(signal - 0.01 * t))) / (2 * np.pi)
    assert np.abs(ours - theirs)[40:-40].max() < 0.01
    exact = 0.25 * t + 0.7 / (2 * np.pi)
    assert np.abs(ours - exact).max() < 0.005  # at the ends too
