"""Hands, knees and hips that carry a body while no foot does."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import corrupt
import open_data
import resting_takes
from takemill.base.checks import Array
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.feet.bearing import keep_bearing
from takemill.feet.bearing_end import trim_lifts
from takemill.feet.contacts import find_contacts
from takemill.feet.rests import find_rests
from takemill.feet.soles import face_down
from takemill.maths import quat, series
from takemill.repair.repair import RepairSettings, repair

KINDS = ("sit", "kneel", "hands", "insteps", "fours")
NOISE = corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0.03)


@cache
def taken(kind: str) -> tuple[Motion, Array]:
    return resting_takes.at_rest(kind)


@pytest.mark.parametrize("kind", KINDS)
def test_what_rests_does_not_slide_though_the_suit_does(kind: str) -> None:
    """By 10 cm/s for nine seconds, with noise: for the four in which no foot is down, what carries stays."""
    true, part = taken(kind)
    body, rests = resting_takes.body_of(true), part > 0.999
    raw = resting_takes.slid(corrupt.corrupt(true, 1, NOISE).motion)
    repaired, findings = repair(raw, body, RepairSettings("suit"))
    slid = [
        np.linalg.norm(np.ptp((one.root_translation - true.root_translation)[rests, :2], axis=0))
        for one in (raw, repaired)
    ]
    assert slid[0] > 0.35
    assert slid[1] < 0.04
    away = (repaired.root_translation - true.root_translation)[:, :2]
    assert np.linalg.norm(away[-1] - away[0]) < 0.08  # of 0.9 m; a second is spent between each two supports
    assert np.abs(repaired.root_translation - true.root_translation)[rests, 2].max() < 0.005
    assert "path_drift" in {one.kind for one in findings}


@pytest.mark.parametrize("kind", KINDS)
def test_parts_count_while_nothing_before_them_carries(kind: str) -> None:
    """Feet first, then hands and knees, then hips; in a rig of any size."""
    motion, part = taken(kind)
    known = []
    for scale in (1.0, 0.01, 40.0):
        skeleton = replace(
            motion.skeleton,
            rest_translation=scale * motion.skeleton.rest_translation,
            tip_offsets=scale * motion.skeleton.tip_offsets,
        )
        one = replace(motion, skeleton=skeleton, root_translation=scale * motion.root_translation)
        body = resting_takes.body_of(one)
        contacts = keep_bearing(one, body, find_contacts(one, body))
        found = find_rests(one, body, contacts)
        assert found is not None
        known.append(found.known)
        assert not (found.known.any(axis=1) & contacts.planted.any(axis=1)).any()
        turned = replace(
            one,
            rotations=np.concatenate(
                [quat.mul(quat.from_yaw(1.0), one.rotations[:, :1]), one.rotations[:, 1:]], axis=1
            ),
            root_translation=quat.rotate(quat.from_yaw(1.0), one.root_translation),
        )
        here, there = found.points(one), found.points(turned)
        assert np.abs(quat.rotate(quat.from_yaw(1.0), here) - there).max() < 1e-9 * scale
    assert np.array_equal(known[0], known[1])
    assert np.array_equal(known[0], known[2])
    rests = part > 0.999
    carried = {"sit": [4], "kneel": [1, 3], "hands": [0, 2], "insteps": [1, 3], "fours": [0, 1, 2, 3]}[kind]
    # of hand, knee, hand, knee, hips
    assert known[0][rests][:, carried].mean() > 0.8
    others = np.setdiff1d(np.arange(5), carried)
    assert known[0][rests][:, others].mean() < 0.1
    assert not known[0][part < 0.001].any()


def test_a_part_that_sinks_does_not_rest() -> None:
    """One who is let down in a chair by 8 cm a second."""
    motion, part = taken("sit")
    sunk = 0.08 * np.arange(len(motion))[:, None] / motion.rate * np.array([0.0, 0.0, 1.0])
    motion = motion.with_translation(0, motion.root_translation - sunk)
    body = resting_takes.body_of(motion)
    nobody = find_contacts(motion, body)
    nobody = replace(nobody, heel=nobody.heel & False, toe=nobody.toe & False)
    found = find_rests(motion, body, nobody)
    assert found is None or not found.known[part > 0.999].any()


@pytest.mark.parametrize("kind", KINDS)
def test_what_rests_keeps_its_height_though_the_suit_rises(kind: str) -> None:
    """By 3 cm and back in the four seconds in which no foot is down; 1.5 cm are left of it without rests."""
    true, part = taken(kind)
    body, rests = resting_takes.body_of(true), part > 0.999
    raw = corrupt.corrupt(true, 1, NOISE).motion
    within = np.clip((np.arange(len(raw)) - np.flatnonzero(rests)[0]) / rests.sum(), 0, 1)
    rise = 0.03 * np.sin(np.pi * within) ** 2
    raw = raw.with_translation(0, raw.root_translation + rise[:, None] * np.array([0.0, 0.0, 1.0]))
    repaired, _ = repair(raw, body, RepairSettings("suit"))
    away = (repaired.root_translation - true.root_translation)[rests, 2]
    assert np.ptp(away) < 0.004


@pytest.mark.parametrize("kind", ["insteps", "fours"])
def test_feet_that_lie_on_their_backs_do_not_stand(kind: str) -> None:
    """Of one who kneels on shins and insteps: soles face up, and lie 8 cm over the floor."""
    motion, part = taken(kind)
    body = resting_takes.body_of(motion)
    assert face_down(motion, body)[part < 0.001].all()
    assert not face_down(motion, body)[part > 0.999].any()
    contacts = find_contacts(motion, body)
    assert not contacts.planted[part > 0.999].any()
    assert contacts.planted[part < 0.001].all()
    assert abs(contacts.floor_m) < 0.001


@pytest.mark.parametrize("kind", KINDS)
def test_a_clean_take_of_one_who_rests_leaves_repair_as_it_came(kind: str) -> None:
    motion, _ = taken(kind)
    repaired, findings = repair(motion, resting_takes.body_of(motion))
    assert not findings
    assert np.array_equal(repaired.root_translation, motion.root_translation)


@pytest.mark.parametrize("name", ["jump", "backflip", "run"])
def test_nobody_rests_in_the_air(name: str) -> None:
    motion = open_data.humanoid3d(name)[0].resampled(120.0)
    body = find_body_map(motion.skeleton)
    assert find_rests(motion, body, keep_bearing(motion, body, find_contacts(motion, body))) is None


def test_a_path_is_read_from_feet_before_they_roll_off() -> None:
    """The open walk, damaged: where contacts counted whole, its path was off by 4.8 cm (RMS)."""
    clean = open_data.repeated(open_data.humanoid3d("walk")[0], 5).resampled(120.0)
    body, errors = find_body_map(clean.skeleton), []
    for seed in (1, 2):
        damage = corrupt.Damage(heading_deg_per_min=0, spikes_per_min=0, frozen_per_min=0)
        raw = corrupt.corrupt(clean, seed, damage).motion
        repaired, _ = repair(raw, body, RepairSettings("suit", pin=False))
        away = (repaired.root_translation - clean.root_translation)[:, :2]
        errors.append(np.sqrt(((away - away.mean(axis=0)) ** 2).sum(axis=1).mean()))
    assert np.mean(errors) < 0.03


def test_lifts_are_trimmed_at_the_ends_of_contacts() -> None:
    """A foot of 0.2 m stands, and at its end rises by 0.1 m a second; one that sinks slowly stands."""
    rate, frames = 100.0, 400
    known = np.zeros((frames, 1), bool)
    known[100:200] = True
    height = np.zeros((frames, 1))
    height[180:, 0] = 0.1 * np.arange(frames - 180) / rate
    lengths = np.array([0.2])

    def kept(roll_s: float, other: bool) -> Array:
        """Of the foot's frames, with another foot down all along or none."""
        both = np.concatenate([known, np.full((frames, 1), other)], axis=1)
        found = trim_lifts(
            np.concatenate([height, 0 * height], axis=1), both, np.tile(lengths, 2), rate, roll_s
        )
        return np.flatnonzero(found[:, 0])

    assert kept(0.05, other=True).tolist() == list(range(100, 195))
    wide = kept(1.0, other=True)
    assert wide[0] == 100
    assert 176 <= wide[-1] <= 182
    # Beside two seconds without a foot all that lifts goes, however little is asked for.
    assert np.array_equal(kept(0.0, other=False), wide)
    sinks = 0.03 * np.arange(frames)[:, None] / rate
    assert np.array_equal(trim_lifts(sinks, known, lengths, rate, 0.05), known)
    short = series.filled(frames, np.array([100]), np.array([118]))[:, None]
    assert np.array_equal(trim_lifts(10 * sinks, short, lengths, rate, 0.05), short)
    # One that rises quickly by 3 cm and then hangs there goes, too, where no other foot stands for long.
    hangs = np.zeros((frames, 1))
    hangs[180:, 0] = 0.03
    assert np.array_equal(
        trim_lifts(np.concatenate([hangs, 0 * hangs], axis=1), np.concatenate([known, ~known], axis=1),
                   np.tile(lengths, 2), rate, 0.05)[:, 0], known[:, 0]
    )  # fmt: skip
    alone = np.flatnonzero(trim_lifts(hangs, known, lengths, rate, 0.05)[:, 0])
    assert alone[0] == 100
    assert 175 <= alone[-1] <= 180
    comes = np.flatnonzero(trim_lifts(hangs[::-1], known[::-1], lengths, rate, 0.05)[:, 0])
    assert np.array_equal(frames - 1 - comes[::-1], alone), "as it lands, too"
    low = 0.5 * hangs
    assert np.array_equal(trim_lifts(low, known, lengths, rate, 0.05), known), "1.5 cm: no foot hangs so low"
    whole = np.ones((frames, 1), bool)
    assert trim_lifts(10 * sinks, whole, lengths, rate, 0.05).all(), "the take's own ends stay"
