"""Jumps of a sensor against honest fast motion, at few frames a second."""

from __future__ import annotations

import numpy as np
import pytest

import corrupt
import open_data
from clean_takes import at_rate, open_motions
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from takemill.sensors import spike_evidence
from takemill.sensors.spike_evidence import find_evidence, sure_frames
from takemill.sensors.spikes import find_spikes

SPIKES = corrupt.Damage(0, 0, 0.3, 20, 0, 0, 0, 0)
SLOW = ("walk", "run", "punch", "kick", "spin", "walker/turn_right0")  # 24 and 30 frames a second
FAST = ("spinkick", "jump", "dance_a", "cartwheel", "roll")  # 60


def open_take(name: str) -> Motion:
    motion, wraps = open_data.humanoid3d(name)
    return open_data.repeated(motion, 3) if wraps else motion


def spiked(motion: Motion) -> np.ndarray:
    """Where (F, J) the repair of a take finds spikes."""
    found = np.zeros(motion.rotations.shape[:2], bool)
    for one in repair(motion, find_body_map(motion.skeleton))[1]:
        if one.kind == "spike":
            found[one.start : one.stop, motion.skeleton.index(one.joint)] = True
    return found


@pytest.mark.parametrize("name", SLOW + FAST)
def test_not_one_frame_of_a_clean_take_is_a_spike(name: str) -> None:
    """At its own rate: punches, kicks and turns of 30 degrees from frame to frame."""
    clean = open_take(name)
    repaired, findings = repair(clean, find_body_map(clean.skeleton))
    assert not [one for one in findings if one.kind in ("spike", "frozen")]
    assert np.abs(repaired.rotations - clean.rotations).max() < 1e-12


@pytest.mark.parametrize(("rate", "least"), [(30, 0.7), (60, 0.95)])
def test_most_jumps_are_found_and_little_else(rate, least) -> None:
    """Of all open motions together."""
    there = found = wrong = 0
    for motion in open_motions().values():
        clean = at_rate(motion, rate)
        damaged = corrupt.corrupt(clean, 1, SPIKES)
        seen = spiked(damaged.motion)
        there += int(damaged.spikes.sum())
        found += int((seen & damaged.spikes).sum())
        wrong += int((seen & ~damaged.spikes).sum())
    assert found >= least * there
    assert wrong <= 0.02 * there


def test_at_30_frames_a_second_spikes_are_reported_and_left_unless_asked_for() -> None:
    damaged = corrupt.corrupt(open_take("walk"), 1, SPIKES).motion
    body = find_body_map(damaged.skeleton)
    repaired, findings = repair(damaged, body)
    spikes = [one for one in findings if one.kind == "spike"]
    assert spikes
    assert not any(one.repaired for one in spikes)
    assert all("spike_min_rate" in one.message for one in spikes)
    assert np.abs(repaired.rotations - damaged.rotations).max() < 1e-12
    repaired_too, findings = repair(damaged, body, RepairSettings(spike_min_rate=30.0))
    assert all(one.repaired for one in findings if one.kind == "spike")
    assert np.abs(repaired_too.rotations - damaged.rotations).max() > 0.05


def test_a_spike_that_is_left_is_not_smeared_by_the_filter() -> None:
    """In a noisy take its frames stay as they are, and those beside it are as calm as without it."""
    noisy = corrupt.corrupt(open_take("walk"), 1, corrupt.Damage(0.3, 0, 0.3, 0, 0, 0, 0, 0)).motion
    body, joint = find_body_map(noisy.skeleton), noisy.skeleton.index("chest")
    rotations = noisy.rotations.copy()
    rotations[40, joint] = quat.mul(rotations[40, joint], quat.exp(np.array([0.5, 0.0, 0.0])))
    raw = noisy.with_rotations(rotations)
    repaired, without = repair(raw, body)[0].rotations, repair(noisy, body)[0].rotations
    assert np.abs(np.abs((repaired[40, joint] * raw.rotations[40, joint]).sum()) - 1) < 1e-12
    beside = np.degrees(quat.angle_between(repaired, without))[[37, 38, 39, 41, 42, 43], joint]
    assert beside.max() < 1.0


def test_a_sensor_that_jumps_shows_in_two_joints_and_both_are_sure() -> None:
    """A spike of the thigh's sensor: of the hip, and turned back of the knee."""
    clean = open_take("walk")
    hip, knee = clean.skeleton.index("left_hip"), clean.skeleton.index("left_knee")
    turn = quat.exp(np.array([0.2, 0.3, 0.1]))
    rotations = clean.rotations.copy()
    rotations[50, hip] = quat.mul(rotations[50, hip], turn)
    rotations[50, knee] = quat.mul(quat.inv(turn), rotations[50, knee])
    for joint in (hip, knee):
        spikes = find_spikes(np.ascontiguousarray(rotations[:, joint]), np.zeros(len(clean), bool))
        evidence = find_evidence(rotations, joint, clean.skeleton.parents, spikes, spikes)
        assert sure_frames(evidence, len(clean), clean.rate)[50]
        assert evidence.beside[list(evidence.starts).index(50)] > 2.0


def test_a_run_that_touches_an_end_is_no_evidence() -> None:
    """What never comes back may be where the body went."""
    clean = open_take("walk")
    rotations = clean.rotations.copy()
    rotations[-2:, 3] = quat.mul(rotations[-2:, 3], quat.exp(np.array([0.6, 0.0, 0.0])))
    spikes = np.zeros(len(clean), bool)
    spikes[-2:] = True
    evidence = find_evidence(rotations, 3, clean.skeleton.parents, spikes, spikes)
    assert not sure_frames(evidence, len(clean), clean.rate).any()


def test_of_an_angle_what_noise_makes_is_taken_out_as_noise_adds() -> None:
    """By squares: 5 is 4 of noise and 3 beyond it."""
    found = spike_evidence._beyond(np.array([5.0, 4.0, 2.0, 4.1]), 4.0, 0.95)
    np.testing.assert_allclose(found, [3.0, 0.95, 0.95, 0.95])
