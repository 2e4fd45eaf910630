from __future__ import annotations

import numpy as np
import pytest

from takemill.maths import quat
from takemill.sensors.hinges import hold_on_hinge

NOISE = np.radians(0.5)


def knee(frames: int, rng: np.random.Generator) -> np.ndarray:
    """Rotations (F, 4) about one axis, between a turn of the thigh's frame and one of the shank's."""
    t = np.arange(frames) / 120
    bend = quat.from_axis_angle(rng.normal(size=3), 0.8 + 0.7 * np.sin(5 * t) * np.cos(0.7 * t))
    before, after = quat.normalize(rng.normal(size=(2, 4)))
    return quat.continuous(quat.mul(quat.mul(before, bend), after))


def calm_noise(frames: int, rng: np.random.Generator) -> np.ndarray:
    """What a filter leaves of noise, a quarter of it, as rotations (F, 4)."""
    white = rng.normal(size=(frames + 15, 3))
    slow = sum(white[k : k + frames] for k in range(16)) / 4
    return quat.exp(NOISE / 4 * slow)


@pytest.mark.parametrize("frames", [300, 20_000])
def test_a_hinge_turns_about_its_axis_only(frames: int) -> None:
    """Two thirds of the noise lie across the axis."""
    rng = np.random.default_rng(21)
    truth = knee(frames, rng)
    calm = quat.continuous(quat.mul(truth, calm_noise(frames, rng)))
    before = calm.copy()
    held = hold_on_hinge(calm, NOISE)
    assert np.array_equal(calm, before)
    assert np.abs(quat.length(held) - 1).max() < 1e-12
    errors = [np.mean(quat.angle_between(q, truth) ** 2) for q in (held, calm)]
    assert errors[0] < 0.5 * errors[1]
    assert np.einsum("fi,fi->f", held, calm).min() > 0.99  # no sign changed
    assert np.linalg.svd(held, compute_uv=False)[2] < 1e-9 * frames  # of rank two: one axis


def test_a_hinge_without_noise_stays_exactly() -> None:
    truth = knee(500, np.random.default_rng(22))
    assert quat.angle_between(hold_on_hinge(truth, 1e-6), truth).max() < 1e-12


@pytest.mark.parametrize(("twist_deg", "stop"), [(0.85, 4000), (3.0, 1060)])
def test_a_joint_that_also_twists_is_left(twist_deg: float, stop: int) -> None:
    """By little all the time, or once for half a second."""
    rng = np.random.default_rng(23)
    frame = np.arange(4000)
    twist = np.radians(twist_deg) * np.sin(np.pi * (frame - 1000) / 60) * ((frame >= 1000) & (frame < stop))
    q = quat.mul(knee(4000, rng), quat.exp(twist[:, None] * np.array([0.6, 0.8, 0.0])))
    q = quat.continuous(quat.mul(q, calm_noise(4000, rng)))
    assert hold_on_hinge(q, NOISE) is q


def test_a_joint_that_hardly_moves_is_left() -> None:
    """A chest that breathes: by a degree, four times as much as the filter leaves of the noise."""
    rng = np.random.default_rng(24)
    breath = np.radians(1.0) * np.sin(2 * np.pi * 0.25 * np.arange(4000) / 120)
    q = quat.continuous(quat.mul(quat.exp(breath[:, None] * np.array([1.0, 0, 0])), calm_noise(4000, rng)))
    assert hold_on_hinge(q, NOISE) is q


def swing_with_a_twist(swing_deg: float, twist_deg: np.ndarray) -> np.ndarray:
    """Rotations (F, 4) that swing about X, evenly to both sides, and twist about Y."""
    angles = np.radians(swing_deg) * np.linspace(-1, 1, len(twist_deg)) / 2
    parts = np.stack([np.cos(angles), np.sin(angles), np.radians(twist_deg) / 2, 0 * angles], axis=-1)
    return quat.normalize(parts)


ALTERNATELY = np.tile([1.0, -1.0], 200)


@pytest.mark.parametrize(
    ("swing_deg", "twist_deg", "is_hinge"),
    [
        (60.0, 0.73 * 0.5 * ALTERNATELY, True),  # root mean square, of the noise
        (60.0, 0.77 * 0.5 * ALTERNATELY, False),
        (60.0, np.where(np.arange(400) == 200, 2.95 * 0.5, 0.0), True),  # once
        (60.0, np.where(np.arange(400) == 200, 3.05 * 0.5, 0.0), False),
        (20.5 * 0.2 * np.sqrt(3), 0.2 * ALTERNATELY, True),  # the swing's root mean square, of the twist's
        (19.5 * 0.2 * np.sqrt(3), 0.2 * ALTERNATELY, False),
    ],
)
def test_how_far_a_hinge_may_twist(swing_deg: float, twist_deg: np.ndarray, is_hinge: bool) -> None:
    q = swing_with_a_twist(swing_deg, twist_deg)
    assert (hold_on_hinge(q, NOISE) is not q) == is_hinge
