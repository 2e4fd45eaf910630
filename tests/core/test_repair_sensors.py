"""What repair makes of the sensors' faults on open motion, against SciPy with the truth in sight."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import ndimage, signal

import corrupt
import synthetic
from clean_takes import RATE, clean_take
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.health.check import Track, examine
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from wobble import noisy

NAMES = ("walk", "run", "punch", "kick", "spinkick", "jump", "spin", "dance_a", "cartwheel")
SENSORS = RepairSettings(heading=False, path=False, floor=False, pin=False)
HEAVY = corrupt.Damage(spikes_per_min=40, frozen_per_min=20, heading_deg_per_min=0, path_drift=0)


def error_deg(rotations: np.ndarray, clean: Motion) -> float:
    """RMS over joints and frames of local rotations, degrees."""
    return float(np.degrees(np.sqrt(np.mean(quat.angle_between(rotations, clean.rotations) ** 2))))


def examined(motion: Motion, joint: int) -> Track:
    return examine(motion, joint, np.ascontiguousarray(motion.rotations[:, joint]))


def test_knees_and_elbows_of_one_axis_keep_it() -> None:
    """Turns about one axis lie in a plane of the quaternions: the third singular value of them is none."""
    known = synthetic.walk(rate=60.0, steps=10)
    body = find_body_map(known.motion.skeleton)
    repaired, _ = repair(noisy(known.motion, 0), body, SENSORS)
    for part in ("leftLowerLeg", "rightLowerLeg", "leftLowerArm", "rightLowerArm"):
        noise, kept = (
            np.linalg.svd(motion.rotations[:, body.require(part)], compute_uv=False)[2]
            for motion in (noisy(known.motion, 0), repaired)
        )
        assert noise > 0.01
        assert kept < 1e-9, part


@pytest.mark.parametrize("name", ["run", "kick", "spinkick", "jump"])
def test_half_the_error_of_the_best_of_scipy(name: str) -> None:
    """A median filter of 7 and a Butterworth with the best cut-off for the take, known from the truth."""
    clean = clean_take(name)
    ours, theirs = [], []
    for seed in (1, 2, 3):
        damaged = corrupt.corrupt(clean, seed, HEAVY).motion
        steady = ndimage.median_filter(damaged.rotations, size=(7, 1, 1), mode="nearest")
        filters = (signal.butter(4, hz, fs=RATE, output="sos") for hz in (3, 5, 7, 9, 12, 16, 22, 30))
        theirs.append(
            min(error_deg(quat.normalize(signal.sosfiltfilt(one, steady, axis=0)), clean) for one in filters)
        )
        repaired = repair(damaged, find_body_map(clean.skeleton), SENSORS)[0]
        ours.append(error_deg(repaired.rotations, clean))
    assert np.mean(ours) < 0.5 * np.mean(theirs)


@pytest.mark.parametrize("name", NAMES)
def test_undamaged_takes_stay_as_they_are(name: str) -> None:
    """Less than 0.1 degrees RMS, fewer than one flagged frame in 2,000 per joint."""
    clean = clean_take(name)
    repaired, findings = repair(clean, find_body_map(clean.skeleton))
    assert error_deg(repaired.rotations, clean) < 0.1
    flagged = sum(f.stop - f.start for f in findings if f.kind in ("spike", "frozen"))
    assert flagged < clean.rotations[..., 0].size / 2000


@pytest.mark.parametrize("name", ["punch", "kick", "run"])
def test_spikes_are_found_and_strikes_are_none(name: str) -> None:
    clean = clean_take(name)
    count = found = wrong = size = 0
    for seed in range(1, 5):
        damaged = corrupt.corrupt(clean, seed, HEAVY)
        for joint in range(len(clean.skeleton)):
            track = examined(damaged.motion, joint)
            spikes, frozen = damaged.spikes[:, joint], damaged.frozen[:, joint]
            count += int(spikes.sum())
            found += int((spikes & (track.spikes | track.frozen)).sum())
            wrong += int((track.spikes & ~spikes & ~frozen).sum())
            size += len(spikes)
            assert (track.frozen & frozen).sum() == frozen.sum()
    assert found >= 0.99 * count
    assert wrong < 0.001 * size
    quiet = corrupt.corrupt(clean, 9, replace(HEAVY, spikes_per_min=0, frozen_per_min=0)).motion
    for joint in range(len(clean.skeleton)):
        assert not examined(quiet, joint).spikes.any()


def test_a_foot_thrown_aside_between_spikes_is_no_spike() -> None:
    """The right ankle of the spin kick turns by 35 degrees in four frames, a spike near it."""
    clean = clean_take("spinkick")
    damaged = corrupt.corrupt(clean, 1, HEAVY)
    ankle = clean.skeleton.index("right_ankle")
    track = examined(damaged.motion, ankle)
    assert np.array_equal(track.spikes, damaged.spikes[:, ankle])


def test_joints_mended_together_are_mended_as_alone() -> None:
    """Joints are fetched some at a time, of all or of a choice."""
    clean = clean_take("kick")
    damaged = corrupt.corrupt(clean, 2, HEAVY).motion
    body = find_body_map(clean.skeleton)
    whole = repair(damaged, body, SENSORS)[0].rotations
    chosen = clean.skeleton.names[1::2]
    some = repair(damaged, body, replace(SENSORS, joints=chosen))[0].rotations
    assert np.array_equal(some[:, 1::2], whole[:, 1::2])
    assert np.abs(some[:, ::2] - damaged.rotations[:, ::2]).max() < 1e-12
