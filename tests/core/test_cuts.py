"""Suggested cuts on a synthetic take whose parts are known."""

from __future__ import annotations

import json
from dataclasses import replace
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

import fit_bodies
import synthetic
from reference_poses import HELD, arms, take_with_pose
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.cuts.cuts import CutSettings, name_stretch, suggest_cuts
from takemill.feet.contacts import find_contacts
from takemill.files.bvh import read_bvh
from takemill.fit.fit import fit
from takemill.maths import quat
from takemill.repair.repair import repair
from takemill.sensors.misalignment import find_reference_pose

RATE = 60.0


def chained(motions: list[Motion]) -> Motion:
    """The motions one after the other, each starting where and as the one before ended."""
    rotations, places = [motions[0].rotations], [motions[0].root_translation]
    for motion in motions[1:]:
        last_q, last_p = rotations[-1][-1, 0], places[-1][-1]
        turn = quat.from_yaw(quat.yaw(last_q) - quat.yaw(motion.rotations[0, 0]))
        local = motion.rotations.copy()
        local[:, 0] = quat.mul(turn, local[:, 0])
        start = motion.root_translation[0] * [1, 1, 0]
        rotations.append(local)
        places.append(quat.rotate(turn, motion.root_translation - start) + last_p * [1, 1, 0])
    return Motion(motions[0].skeleton, RATE, np.concatenate(rotations), np.concatenate(places))


def ease(count: int) -> Array:
    """From 0 to 1 with speed and acceleration 0 at both ends (the minimum-jerk quintic)."""
    t = np.linspace(0, 1, count)
    return t**3 * (10 - 15 * t + 6 * t * t)


def gesture(
    joint: str, turn: Array, out_s: float, back_s: float, rest_s: float = 1.0
) -> tuple[Motion, int, int]:
    """A still body whose one joint swings out by a rotation vector and back, and the frames of that."""
    out, back, rest = (round(s * RATE) for s in (out_s, back_s, rest_s))
    still = synthetic.idle(rate=RATE, duration_s=(out + back + 2 * rest) / RATE).motion
    part = np.zeros(len(still))
    part[rest : rest + out] = ease(out)
    part[rest + out : rest + out + back] = ease(back)[::-1]
    q = still.rotations.copy()
    place = still.skeleton.index(joint)
    q[:, place] = quat.mul(quat.exp(part[:, None] * turn), q[:, place])
    return still.with_rotations(q), rest, rest + out + back


def jump() -> tuple[Motion, int, int]:
    """A hop of the whole body: 0.4 s in the air."""
    still = synthetic.idle(rate=RATE, duration_s=3.0).motion
    air = round(0.5 * RATE)
    t = np.linspace(0, 1, air)
    place = still.root_translation.copy()
    place[60 : 60 + air, 2] += 0.3 * 4 * t * (1 - t)
    return still.with_translation(0, place), 60, 60 + air


@pytest.fixture(scope="module")
def take() -> tuple[Motion, BodyMap, list[tuple[str, int, int]]]:
    """A take, its body map and the truth: (kind, start, stop) in frames."""
    walk = synthetic.walk(rate=RATE, steps=8, idle_s=1.0)
    turn = synthetic.turn_in_place(rate=RATE, turn_deg=180, steps=6)
    strike, strike_from, strike_to = gesture("right_upper_arm", np.array([-1.6, 0.0, 0.0]), 0.25, 0.5)
    nod, nod_from, nod_to = gesture("left_upper_arm", np.array([0.0, -1.2, 0.0]), 1.0, 1.0)
    hop, hop_from, hop_to = jump()
    idle = synthetic.idle(rate=RATE, duration_s=5.0).motion
    motions = [idle, walk.motion, turn.motion, strike, nod, hop, idle]
    starts = np.cumsum([0, *(len(motion) for motion in motions)])
    truth = [
        ("idle", 0, int(starts[1]) + 60),
        ("locomotion", int(starts[1]) + 60, int(starts[2]) - 60),
        ("turn", int(starts[2]) + 60, int(starts[3]) - 60),
        ("strike", int(starts[3]) + strike_from, int(starts[3]) + strike_to),
        ("gesture", int(starts[4]) + nod_from, int(starts[4]) + nod_to),
        ("jump", int(starts[5]) + hop_from, int(starts[5]) + hop_to),
        ("idle", int(starts[5]) + hop_to, int(starts[7])),
    ]
    motion = chained(motions)
    return motion, find_body_map(motion.skeleton), truth


def test_each_part_is_found_with_its_kind(take: tuple[Motion, BodyMap, list[tuple[str, int, int]]]) -> None:
    motion, body, truth = take
    cuts = suggest_cuts(motion, body)
    kinds = [cut.kind for cut in cuts if cut.kind != "idle"]
    assert kinds == [kind for kind, _, _ in truth if kind != "idle"]
    limit = 0.25 * RATE
    for kind, start, stop in truth:
        if kind != "idle":
            cut = next(cut for cut in cuts if cut.kind == kind)
            assert abs(cut.start - start) <= limit, (kind, cut, start)
            assert abs(cut.stop - stop) <= limit, (kind, cut, stop)
    assert (cuts[0].kind, cuts[0].start) == ("idle", 0)
    assert (cuts[-1].kind, cuts[-1].stop) == ("idle", len(motion))


def test_a_stretch_cut_by_hand_is_named_as_a_found_one(
    take: tuple[Motion, BodyMap, list[tuple[str, int, int]]],
) -> None:
    """By the truth's own frames, which are not those that are found; a name that is taken is counted on."""
    motion, body, truth = take
    found = suggest_cuts(motion, body)
    contacts = find_contacts(motion, body)
    for kind, start, stop in truth:
        cut = name_stretch(motion, body, (start, stop), contacts=contacts)
        (same, *_) = (one for one in found if one.kind == kind)
        assert (cut.kind, cut.start, cut.stop, cut.limbs) == (kind, start, stop, same.limbs)
        assert cut.name == same.name
        again = name_stretch(motion, body, (start, stop), contacts=contacts, taken=(cut.name,))
        assert again.name == f"{cut.name[:-2]}02"
    for bad in ((-1, 60), (50, 52), (60, len(motion) + 1)):
        with pytest.raises(InputError, match="cannot be named: expected at least 10 frames"):
            name_stretch(motion, body, bad, contacts=contacts)


def test_stretches_shorter_than_the_shortest_are_dropped(
    take: tuple[Motion, BodyMap, list[tuple[str, int, int]]],
) -> None:
    motion, body, _ = take
    ranges = [(cut.start, cut.stop) for cut in suggest_cuts(motion, body)]
    lengths = sorted(stop - start for start, stop in ranges)
    for shorter, longer in pairwise(lengths):
        settings = CutSettings(shortest_s=(shorter + longer) / 2 / RATE)
        found = [(cut.start, cut.stop) for cut in suggest_cuts(motion, body, settings)]
        assert found == [(start, stop) for start, stop in ranges if stop - start >= longer]


@pytest.fixture(scope="module")
def sample() -> tuple[Motion, BodyMap, list[dict[str, Any]]]:
    """The marsh ferry take, repaired, its body map, and the parts of its script that are no rest."""
    folder = Path(__file__).parents[2] / "sample_blends"
    truth = json.loads((folder / "marsh_truth.json").read_text())
    take = read_bvh(folder / "marsh_take.bvh")[0]
    body = find_body_map(take.skeleton)
    return repair(take, body)[0], body, [part for part in truth["segments"] if part["kind"] != "idle"]


def test_the_sample_take_is_cut_as_its_script_says(
    sample: tuple[Motion, BodyMap, list[dict[str, Any]]],
) -> None:
    """Truth: the script that builds the marsh ferry take; it counts up to 0.7 s of rest to each part's ends.

    The slow shift of weight has no sharp ends, and between parts the performer stands: neither is compared.
    """
    motion, body, parts = sample
    cuts = [cut for cut in suggest_cuts(motion, body) if cut.kind != "idle"]
    assert [cut.kind for cut in cuts] == [part["kind"] for part in parts]
    for cut, part in zip(cuts, parts, strict=True):
        if part["name"] != "shift_weight":
            assert -0.05 < cut.start / motion.rate - part["start_s"] < 0.5, part["name"]
            assert -0.05 < part["end_s"] - cut.stop / motion.rate < 0.75, part["name"]


@pytest.mark.parametrize("build", [fit_bodies.BROAD, fit_bodies.TOON])
def test_other_builds_give_the_same_kinds(
    sample: tuple[Motion, BodyMap, list[dict[str, Any]]], build: fit_bodies.Build
) -> None:
    """Long arms on short legs swing far in a turn and a duck, but they do not strike."""
    motion, body, parts = sample
    skeleton, parts_of = fit_bodies.body(build)
    cuts = suggest_cuts(fit(motion, body, skeleton, parts_of), parts_of)
    assert [cut.kind for cut in cuts if cut.kind != "idle"] == [part["kind"] for part in parts]


def test_names_are_unique_and_ranges_in_order(
    take: tuple[Motion, BodyMap, list[tuple[str, int, int]]],
) -> None:
    motion, body, _ = take
    cuts = suggest_cuts(motion, body)
    assert len({cut.name for cut in cuts}) == len(cuts)
    assert all(0 <= cut.start < cut.stop <= len(motion) for cut in cuts)
    assert all(before.stop <= after.start for before, after in pairwise(cuts))
    assert all(cut.loop == (cut.kind in ("idle", "locomotion")) for cut in cuts)
    assert [cut.name for cut in cuts if cut.kind != "idle"] == [
        "walk_forward_01", "turn_left_180_01", "punch_right_01", "gesture_left_01", "jump_01"
    ]  # fmt: skip
    assert cuts[0].name == "idle_01"
    assert all(0.5 <= cut.sure <= 1 and cut.why for cut in cuts)


def test_one_shots_start_and_end_calm(take: tuple[Motion, BodyMap, list[tuple[str, int, int]]]) -> None:
    motion, body, _ = take
    positions = motion.model()[1]
    speed = np.linalg.norm(np.gradient(positions, 1 / RATE, axis=0), axis=-1).mean(axis=1)
    for cut in suggest_cuts(motion, body):
        if not cut.loop:
            assert speed[cut.start] < 0.15, cut
            assert speed[cut.stop - 1] < 0.15, cut


def test_twice_the_size_gives_the_same_cuts(take: tuple[Motion, BodyMap, list[tuple[str, int, int]]]) -> None:
    """Speeds and lengths are counted in leg lengths."""
    motion, body, _ = take
    large = synthetic.skeleton(2.0)
    double = Motion(large, RATE, motion.rotations, 2 * motion.root_translation)
    assert suggest_cuts(double, body) == suggest_cuts(motion, body)


def test_a_take_of_one_frame_has_a_cut_or_none(
    take: tuple[Motion, BodyMap, list[tuple[str, int, int]]],
) -> None:
    motion, body, _ = take
    assert suggest_cuts(motion.slice(0, 1), body) == ()


def test_a_setting_of_zero_is_refused(take: tuple[Motion, BodyMap, list[tuple[str, int, int]]]) -> None:
    motion, body, _ = take
    with pytest.raises(InputError, match="visit_s"):
        suggest_cuts(motion, body, replace(CutSettings(), visit_s=0.0))


@pytest.mark.parametrize("at_end", [False, True])
def test_a_reference_pose_is_no_part_of_a_clip(at_end: bool) -> None:
    take, body = take_with_pose(arms(), at_end=at_end)
    cuts = suggest_cuts(take, body)
    assert "locomotion" in {cut.kind for cut in cuts}
    clear = slice(0, len(take) - HELD) if at_end else slice(HELD, len(take))
    assert all(clear.start - 3 <= cut.start < cut.stop <= clear.stop + 3 for cut in cuts)
    again = suggest_cuts(take, body, contacts=find_contacts(take, body))
    assert [(cut.name, cut.start, cut.stop) for cut in again] == [
        (cut.name, cut.start, cut.stop) for cut in cuts
    ]


@pytest.mark.parametrize("at_end", [False, True])
def test_a_rest_pose_in_one_frame_is_no_part_of_a_clip(
    take: tuple[Motion, BodyMap, list[tuple[str, int, int]]], at_end: bool
) -> None:
    """Files often begin with the rest pose (common practice, no source); one came out as a gesture."""
    motion, body, _ = take
    rotations, alone = motion.rotations.copy(), -1 if at_end else 0
    rotations[alone] = quat.mul(quat.exp(np.array([0.0, 1.4, 0.0])), rotations[alone])
    cuts = suggest_cuts(motion.with_rotations(rotations), body)
    first, last = int(not at_end), len(motion) - at_end
    right = suggest_cuts(motion.slice(first, last), body)
    assert [(one.name, one.start - first, one.stop - first) for one in cuts] == [
        (one.name, one.start, one.stop) for one in right
    ]
    assert right


def test_arms_that_are_always_held_away_are_no_reference_pose() -> None:
    """As a broad character's are, who gets the same takes: standing so for half a minute is idle."""
    short, body = take_with_pose(arms(-50))
    frames = np.concatenate([np.zeros(round(30 * short.rate)), np.arange(len(short))])
    take = short.sampled(frames, short.rate)
    assert find_reference_pose(take, body) is not None
    cuts = suggest_cuts(take, body)
    assert (cuts[0].kind, cuts[0].start) == ("idle", 0)
    assert cuts[0].stop > 29 * take.rate
    assert "locomotion" in {cut.kind for cut in cuts}


@pytest.mark.parametrize(("peak_deg_s", "rests"), [(60, True), (220, True), (480, False)])
def test_hands_that_roll_a_little_still_rest_and_whirled_ones_do_not(peak_deg_s: float, rests: bool) -> None:
    """About the forearm's own axis, so that no joint changes its place; for four seconds of twelve."""
    still = synthetic.idle(rate=RATE, duration_s=12.0).motion
    t = np.arange(len(still)) / RATE
    fade = np.clip(np.minimum(t - 4, 8 - t), 0, 1)
    roll = np.radians(peak_deg_s) / np.pi * np.sin(np.pi * t) * fade
    q = still.rotations.copy()
    for side in ("left", "right"):
        hand = still.skeleton.index(f"{side}_hand")
        q[:, hand] = quat.mul(q[:, hand], quat.exp(roll[:, None] * np.array([1.0, 0.0, 0.0])))
    rolling = still.with_rotations(q)
    kinds = {one.kind for one in suggest_cuts(rolling, find_body_map(rolling.skeleton))}
    assert kinds == ({"idle"} if rests else {"idle", "other"})
