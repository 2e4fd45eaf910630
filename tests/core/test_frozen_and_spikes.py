from __future__ import annotations

import numpy as np
import pytest

from takemill.maths import filters, quat
from takemill.sensors import spikes
from takemill.sensors.bridge import bridge
from takemill.sensors.denoise import noise_deviation
from takemill.sensors.frozen import find_frozen
from takemill.sensors.spikes import find_spikes


def random_rotations(rng: np.random.Generator, frames: int, step: float = 0.02) -> np.ndarray:
    """A wandering rotation (F, 4)."""
    vectors = filters.butterworth(rng.normal(size=(frames, 3)).cumsum(axis=0) * step, 120.0, 6.0)
    return quat.continuous(quat.exp(vectors))


@pytest.mark.parametrize("where", [slice(0, 12), slice(588, 600), slice(585, 597)])
def test_a_sensor_frozen_at_an_end_of_the_take_is_found(where: slice) -> None:
    rng = np.random.default_rng(7)
    q = quat.mul(random_rotations(rng, 600), quat.exp(0.005 * rng.normal(size=(600, 3))))
    q[where] = q[where.start]
    q = quat.continuous(q)
    found = find_frozen(q, 2 * noise_deviation(q))
    assert np.flatnonzero(found).tolist() == list(range(where.start + 1, where.stop))


def test_frozen_frames_are_found_to_the_frame_and_a_rest_is_not() -> None:
    rng = np.random.default_rng(7)
    q = quat.mul(random_rotations(rng, 600), quat.exp(0.005 * rng.normal(size=(600, 3))))
    q[100:110] = q[99]
    q[300:302] = q[299]
    q = quat.continuous(q)
    found = find_frozen(q, 2 * noise_deviation(q))
    truth = np.zeros(600, bool)
    truth[100:110] = truth[300:302] = True
    assert np.array_equal(found, truth)
    rest = quat.exp(np.outer(np.clip(np.linspace(-1, 1, 400), 0, 1) ** 3, [0.5, 0.2, 0]))
    assert not find_frozen(rest, 2 * noise_deviation(rest)).any()  # still, then moving off smoothly
    assert not find_frozen(np.tile(quat.IDENTITY, (50, 1)), 0.0).any()


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
    found = find_spikes(spiky, np.zeros(1500, bool))
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
    found_frozen = find_frozen(q, 2 * noise_deviation(q))
    assert np.array_equal(found_frozen, frozen)
    assert np.array_equal(find_spikes(q, found_frozen), spikes)


def test_a_frame_that_is_off_bends_by_as_much_and_its_neighbours_by_half_of_it() -> None:
    """Radians; a track that rests or turns evenly bends nowhere."""
    angles = 0.001 * np.arange(10.0)
    angles[5] += 0.1
    track = quat.exp(np.outer(angles, [0.0, 1.0, 0.0]))
    bends = np.array([0, 0, 0, 0, 0.05, 0.1, 0.05, 0, 0, 0])
    np.testing.assert_allclose(spikes._bend_rad(track), bends, atol=2e-4)


def test_a_strike_is_no_spike() -> None:
    t = np.arange(600) / 120
    strike = 1.5 * np.exp(-(((t - 2.5) / 0.05) ** 2))  # 70 degrees out and back in a fifth of a second
    q = quat.exp(np.stack([strike, 0 * t, 0 * t], axis=-1))
    noisy = quat.mul(q, quat.exp(0.005 * np.random.default_rng(9).normal(size=(600, 3))))
    for track in (q, noisy):
        assert not find_spikes(quat.continuous(track), np.zeros(600, bool)).any()


def test_a_bridge_keeps_a_parabola_and_leaves_long_gaps() -> None:
    t = np.arange(200.0)
    angle = 0.3 + 0.01 * t - 0.00004 * t * t
    q = quat.exp(np.outer(angle, [0.0, 0.6, 0.8]))
    bad = np.zeros(200, bool)
    bad[50:62] = bad[100:140] = True
    broken = np.where(bad[:, None], quat.IDENTITY, q)
    repaired, done = bridge(broken, bad, 30)
    assert quat.angle_between(repaired[:100], q[:100]).max() < 1e-9
    assert done[50:62].all()
    assert not done[100:140].any()
    assert np.array_equal(repaired[100:140], broken[100:140])


def test_a_bridge_at_an_end_holds() -> None:
    q = quat.exp(np.outer(np.arange(20.0) / 20, [1.0, 0, 0]))
    bad = np.zeros(20, bool)
    bad[:3] = bad[18:] = True
    repaired, _ = bridge(q, bad, 30)
    assert np.array_equal(repaired[:3], np.tile(q[3], (3, 1)))
    assert np.array_equal(repaired[18:], np.tile(q[17], (2, 1)))
    everything, done = bridge(q, np.ones(20, bool), 30)
    assert np.array_equal(everything, q)
    assert not done.any()


@pytest.mark.parametrize("start", [1, 2, 396, 397])
@pytest.mark.parametrize("length", [1, 2])
def test_spikes_at_the_ends_of_a_take_are_found(start: int, length: int) -> None:
    rng = np.random.default_rng(21)
    q = quat.mul(random_rotations(rng, 400), quat.exp(0.006 * rng.normal(size=(400, 3))))
    spikes = np.zeros(400, bool)
    spikes[start : start + length] = True
    q[spikes] = quat.mul(q[spikes], quat.exp(np.array([0.0, 0.35, 0.1])))
    assert np.array_equal(find_spikes(quat.continuous(q), np.zeros(400, bool)), spikes)


def test_spikes_during_a_strike_are_found() -> None:
    t = np.arange(600) / 120
    strike = quat.exp(np.outer(1.5 * np.exp(-(((t - 2.5) / 0.08) ** 2)), [1.0, 0, 0]))
    q = quat.mul(strike, quat.exp(0.006 * np.random.default_rng(22).normal(size=(600, 3))))
    spikes = np.zeros(600, bool)
    spikes[[293, 308, 309]] = True  # where it is fastest, out and back: 9 degrees a frame
    q[spikes] = quat.mul(q[spikes], quat.exp(np.array([0.1, 0.4, 0.2])))
    assert np.array_equal(find_spikes(quat.continuous(q), np.zeros(600, bool)), spikes)


# Degrees at 120 frames a second. The left ankle as it lands in the open "jump" (DeepMimic references of the
# pybullet wheel), and a foot that is kicked aside and stays there.
LANDING = [
    5.4,
    4.7,
    4.3,
    3.8,
    3.1,
    2.3,
    1.6,
    1.0,
    0.0,
    -1.5,
    -0.5,
    5.0,
    9.1,
    6.6,
    1.9,
    0.1,
    -0.4,
    -1.9,
    -4.3,
    -6.6,
]
SHOVE = [0.0, 0.0, 0.0, 0.0, 9.0, 20.0, 28.0, 34.0, 37.7, 40.1, 41.0, 41.5, 41.5]


@pytest.mark.parametrize("shape", [LANDING, SHOVE])
@pytest.mark.parametrize("noise", [0.0, 0.008])
def test_impacts_are_no_spikes(shape: list[float], noise: float) -> None:
    off = np.concatenate([np.full(90, shape[0]), shape, np.full(90, shape[-1])])
    frames = len(off)
    q = quat.exp(np.stack([np.radians(off), 0.2 * np.sin(np.arange(frames) / 20), 0 * off], axis=-1))
    noisy = quat.mul(q, quat.exp(noise * np.random.default_rng(23).normal(size=(frames, 3))))
    assert not find_spikes(quat.continuous(noisy), np.zeros(frames, bool)).any()


@pytest.mark.parametrize("frames", [1, 2, 5, 9, 10, 12])
def test_short_takes_and_resting_ones_have_no_faults(frames: int) -> None:
    moving = quat.exp(np.outer(np.arange(frames) * 0.02, [0, 1.0, 0]))
    for q in (moving, np.tile(quat.IDENTITY, (frames, 1))):
        assert not find_spikes(q, np.zeros(frames, bool)).any()
        assert not find_frozen(q, noise_deviation(q)).any()


def test_a_bridge_goes_on_with_the_slopes_of_both_ends() -> None:
    """No kink: at both ends the step changes by little more than the motion's own bend."""
    t = np.arange(300) / 120
    q = quat.exp(np.stack([np.sin(3 * t), 0.5 * np.cos(4 * t), 0.3 * t], axis=-1))
    bad = np.zeros(300, bool)
    bad[100:114] = bad[200:203] = True
    repaired, done = bridge(np.where(bad[:, None], q[99], q), bad, 30)
    assert np.array_equal(done, bad)
    bend = 2 * quat.length(np.diff(repaired, 2, axis=0))
    assert bend.max() < 1.6 * (2 * quat.length(np.diff(q, 2, axis=0))).max()
    assert quat.angle_between(repaired, q).max() < np.radians(0.2)


@pytest.mark.parametrize("size_deg", [0.05, 1.0])
def test_noise_alone_has_no_spikes_however_small_they_may_be(size_deg: float) -> None:
    """Eight deviations of white noise: once in 10^14 frames (chi with three degrees of freedom)."""
    noise = np.radians(size_deg) * np.random.default_rng(1).normal(size=(20000, 3))
    assert not find_spikes(quat.exp(noise), np.zeros(len(noise), bool), min_turn=1e-6).any()


@pytest.mark.parametrize(("height", "least", "most"), [(5.0, 0.0, 0.0), (8.0, 0.1, 0.5), (16.0, 1.0, 1.0)])
def test_a_spike_is_one_by_its_height_over_the_noise(height: float, least: float, most: float) -> None:
    """Single frames turned by so many deviations of the noise about one axis, of which 8 are the limit."""
    rng = np.random.default_rng(2)
    vectors = 0.004 * rng.normal(size=(6000, 3))
    at = np.arange(50, 5950, 40)
    vectors[at] = 0.004 * height * np.eye(3)[rng.integers(3, size=len(at))]
    spikes = find_spikes(quat.exp(vectors), np.zeros(len(vectors), bool), min_turn=1e-6)
    assert least <= spikes[at].mean() <= most
    assert spikes.sum() == spikes[at].sum()
