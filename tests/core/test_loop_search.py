"""Loop search against cycles whose period is known, and against a slow twin."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest

import open_data
import synthetic
from exhaustive_loops import best_gait_loop
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.clouds import main_joints
from takemill.clip.root_motion import find_root_motion
from takemill.feet.contacts import find_contacts
from takemill.loops import loop_search
from takemill.loops.loop_feet import repeat_loop
from takemill.loops.loop_refine import refine
from takemill.loops.loop_search import LoopSettings, find_loops
from takemill.maths import quat
from takemill.pipeline.prepare_take import prepare_take
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import ClipSpec, Moment, Recipe
from wobble import noisy, wobbled

RATE = 60.0


def cycles(name: str, seed: int) -> tuple[Motion, float]:
    """Five noisy cycles at 60 fps, and the period in frames."""
    motion, wraps = open_data.humanoid3d(name)
    assert wraps
    return noisy(open_data.repeated(motion, 5).resampled(RATE), seed), motion.duration_s * RATE


@pytest.mark.parametrize("name", ["walk", "run", "cartwheel", "dance_b", "spinkick", "backflip"])
def test_a_repeated_cycle_is_found_within_a_frame(name: str) -> None:
    """Source: the DeepMimic references of the pybullet wheel; their length is the period."""
    for seed in range(2):
        motion, period = cycles(name, seed)
        best = find_loops(motion, find_body_map(motion.skeleton))[0]
        length = best.end - best.start
        assert round(length / period) == 1
        assert abs(length - period) <= 1
        assert best.quality == "good"
        assert not best.note


def test_a_first_look_slower_than_the_range_looks_at_the_range_alone() -> None:
    """At 0.01 Hz a step is 6,000 frames: a map of so many around one pair took 10 GB and 28 s."""
    motion, _ = cycles("walk", 0)
    motion, body = motion.slice(0, 100), find_body_map(motion.skeleton)
    tracemalloc.start()
    found = find_loops(motion, body, LoopSettings("locomotion", coarse_hz=0.01))
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 50e6
    assert found == find_loops(motion, body, LoopSettings("locomotion", coarse_hz=RATE / 100))


def test_a_range_of_exactly_one_cycle_is_its_own_loop() -> None:
    motion, _ = open_data.humanoid3d("walk")
    motion = motion.resampled(RATE)
    best = find_loops(motion, find_body_map(motion.skeleton))[0]
    assert (best.start, best.end) == (0, len(motion) - 1)


def test_of_equal_pairs_the_calm_one_is_best() -> None:
    """A swing that repeats exactly, with a twitch in every cycle: the seam is not laid into the twitch."""
    skeleton = synthetic.skeleton()
    count, period, twitch = 301, 60, 5
    phase = 2 * np.pi * np.arange(count) / period
    turns = 0.3 * np.sin(phase[:, None] + np.arange(len(skeleton)))[..., None] * [1.0, 0.5, 0.2]
    turns[:, 0] = 0
    turns[twitch::period] += 0.05
    motion = Motion(skeleton, RATE, quat.exp(turns), np.tile([0.0, 0.0, 0.9], (count, 1)))
    body = find_body_map(skeleton)
    for candidate in find_loops(motion, body, LoopSettings(kind="locomotion"))[:3]:
        assert (candidate.end - candidate.start) % period == 0
        assert abs((candidate.start - twitch + 30) % period - 30) > 3


def test_a_jerk_counts_as_far_as_it_carries_in_ten_milliseconds() -> None:
    """An exact answer: where poses repeat exactly, a seam costs the jerk there times (10 ms) cubed."""
    skeleton, count, period = synthetic.skeleton(), 181, 60
    phase = 2 * np.pi * np.arange(count) / period
    root = np.stack([0.1 * np.sin(phase), np.zeros(count), np.full(count, 0.9)], axis=-1)
    motion = Motion(skeleton, RATE, np.tile(quat.IDENTITY, (count, len(skeleton), 1)), root)
    joints = main_joints(find_body_map(skeleton))
    allowed = loop_search._Allowed(60, 60, None, 0)
    ((cost, _, start, end),) = refine(motion, joints, np.array([[50, 110]]), 0, 4, allowed)
    assert end - start == period
    jerk = np.abs(np.diff(root[:, 0], 3)).max() * RATE**3  # metres a second cubed: 0.1 (2 pi)^3 at most
    assert 0.5 * jerk * 0.010**3 < cost < 1.01 * jerk * 0.010**3


def test_heading_and_place_do_not_count() -> None:
    motion, _ = cycles("walk", 3)
    body = find_body_map(motion.skeleton)
    q = motion.rotations.copy()
    q[:, 0] = quat.mul(quat.from_yaw(1.234), q[:, 0])
    place = quat.rotate(quat.from_yaw(1.234), motion.root_translation) + np.array([7.0, -3.0, 0.0])
    moved = motion.with_rotations(q).with_translation(0, place)
    for a, b in zip(find_loops(motion, body), find_loops(moved, body), strict=True):
        assert (a.start, a.end) == (b.start, b.end)
        assert a.gap_cm == pytest.approx(b.gap_cm, abs=1e-6)


def test_gaps_are_those_of_the_pair() -> None:
    """A joint turned by a known angle at one end shows up in the gap by its share."""
    motion, _ = open_data.humanoid3d("walk")
    body = find_body_map(motion.skeleton)
    q = motion.rotations.copy()
    elbow = motion.skeleton.index("left_elbow")
    lifted = np.linspace(0, 1, len(motion))[:, None] * np.array([0.0, np.radians(15.0), 0.0])
    q[:, elbow] = quat.mul(q[:, elbow], quat.exp(lifted))
    best = find_loops(motion.with_rotations(q), body, LoopSettings(shortest_s=motion.duration_s))[0]
    assert (best.start, best.end) == (0, len(motion) - 1)
    clean = find_loops(motion, body, LoopSettings(shortest_s=motion.duration_s))[0]
    old, new = (quat.angle_between(x[0, elbow], x[-1, elbow]) for x in (motion.rotations, q))
    share = np.degrees(new - old) / len(main_joints(body))
    assert share > 0.5
    # The moved hand also turns the best fit a little.
    assert best.gap_deg - clean.gap_deg == pytest.approx(share, abs=0.15)


def test_an_idle_gets_a_long_calm_range() -> None:
    still = synthetic.idle(rate=RATE, duration_s=20.0).motion
    body = find_body_map(still.skeleton)
    q = still.rotations.copy()
    arm = still.skeleton.index("left_upper_arm")
    wave = np.exp(-(((np.arange(len(still)) / RATE - 5.0) / 0.5) ** 2))  # a gesture around 5 s
    q[:, arm] = quat.mul(quat.exp(wave[:, None] * np.array([0.0, 1.0, 0.0])), q[:, arm])
    best = find_loops(still.with_rotations(q), body, LoopSettings(kind="idle"))[0]
    assert best.start > 6.0 * RATE, "the gesture is left out"
    assert best.end - best.start > 6.0 * RATE
    assert best.quality == "good"


def test_an_idle_gets_the_range_with_least_drift() -> None:
    """A body that slides evenly away and back: its pose repeats everywhere, the place at the turn only."""
    still = synthetic.idle(rate=RATE, duration_s=26.0).motion
    body = find_body_map(still.skeleton)
    place = still.root_translation.copy()
    place[:, 0] -= 0.01 * np.abs(np.arange(len(still)) / RATE - 17.0)
    best = find_loops(still.with_translation(0, place), body, LoopSettings(kind="idle"))[0]
    assert np.abs(place[best.end, 0] - place[best.start, 0]) < 0.01
    assert best.end - best.start > 6.0 * RATE


def test_the_seam_of_an_idle_is_not_laid_into_its_jitter() -> None:
    """Two seconds of every four jitter by 0.008 degrees: tiny, yet many times the usual."""
    still = synthetic.idle(rate=RATE, duration_s=20.0).motion
    body = find_body_map(still.skeleton)
    rough = np.arange(len(still)) % 240 < 120
    shaken = noisy(still, 0, 0.008)
    q = np.where(rough[:, None, None], shaken.rotations, still.rotations)
    best = find_loops(still.with_rotations(q), body, LoopSettings(kind="idle"))[0]
    assert not rough[[best.start, best.end]].any()
    assert best.end - best.start > 4 * RATE


def test_the_pose_of_a_pause_is_no_cycle() -> None:
    """Two frames of one pause are alike, yet a cycle must leave its pose and come back."""
    motion, period = cycles("jump", 0)
    best = find_loops(motion, find_body_map(motion.skeleton), LoopSettings(shortest_s=0.2))[0]
    assert abs((best.end - best.start) - period) <= 1


def test_a_motion_without_repeat_says_so() -> None:
    motion, _ = open_data.humanoid3d("getup_facedown")
    best = find_loops(motion, find_body_map(motion.skeleton), LoopSettings(kind="locomotion"))[0]
    assert best.quality != "good"
    assert "no pose comes back" in best.note


def test_a_frozen_body_says_so() -> None:
    motion, _ = open_data.humanoid3d("walk")
    frozen = Motion(
        motion.skeleton,
        RATE,
        np.repeat(motion.rotations[:1], 200, 0),
        np.repeat(motion.root_translation[:1], 200, 0),
    )
    best = find_loops(frozen, find_body_map(motion.skeleton))[0]
    assert "hardly changes" in best.note
    assert best.gap_cm == pytest.approx(0.0, abs=1e-6)


@pytest.mark.parametrize(
    ("turn_deg", "way_m", "said"),
    [
        (15, 0.0, "the pose hardly changes: any"),
        (25, 0.0, "the pose hardly changes but for its turn: any"),
        (60, 0.0, "the pose hardly changes but for its turn: any"),
        (0, 0.08, "the pose hardly changes: any"),
        (0, 0.12, "the pose hardly changes but for its root motion: any"),
        (0, -3.0, "the pose hardly changes but for its root motion: any"),
    ],
)
def test_a_frozen_body_that_turns_or_slides_says_that_too(turn_deg: float, way_m: float, said: str) -> None:
    """A turn counts from 20 degrees, a way from 10 cm; the body stands off the origin."""
    motion = open_data.humanoid3d("walk")[0].slice(0, 1)
    part = np.linspace(0, 1, 150)
    turn = quat.from_yaw(np.radians(turn_deg) * part)
    q = np.repeat(motion.rotations, len(part), axis=0)
    q[:, 0] = quat.mul(turn, q[:, 0])
    body = find_body_map(motion.skeleton)
    posed = Motion(motion.skeleton, RATE, q, np.repeat(motion.root_translation, len(part), axis=0))
    middle = posed.model()[1][:, main_joints(body), :2].mean(axis=1)
    place = posed.root_translation.copy()
    place[:, :2] += [2.0, 1.0] - middle
    place[:, 1] += way_m * part
    assert find_loops(posed.with_translation(0, place), body)[0].note.startswith(said)


def test_a_calmer_range_of_an_idle_always_scores_better() -> None:
    """Of ranges alike in all else, from one that hardly stirs to one that stirs more than usual."""
    for frames in (4, 40):
        scores = []
        for stir in (0.0, 0.1, 0.4, 0.9, 2.0, 10.0):
            effort = np.linspace(0, stir, frames + 2)
            calm = loop_search._Calm(effort, np.zeros((frames + 1, 2)))
            scores.append(float(calm.score(np.array(0.01), np.array(0), np.array(frames))))
        assert np.all(np.diff(scores) > 0)


def test_a_range_shorter_than_the_shortest_loop_is_refused() -> None:
    motion, _ = open_data.humanoid3d("walk")
    with pytest.raises(InputError, match="shortest loop"):
        find_loops(motion.slice(0, 10), find_body_map(motion.skeleton))


@pytest.mark.parametrize(
    "settings",
    [
        LoopSettings(kind="walk"),
        LoopSettings(shortest_s=0.0),
        LoopSettings(shortest_s=0.5, longest_s=0.1),
        LoopSettings(longest_s=0.0),
        LoopSettings(cycles=3),
        LoopSettings(count=0),
    ],
)
def test_settings_without_sense_are_refused(settings: LoopSettings) -> None:
    motion, _ = open_data.humanoid3d("walk")
    with pytest.raises(InputError):
        find_loops(motion, find_body_map(motion.skeleton), settings)


def test_the_search_keeps_to_the_lengths_asked_for() -> None:
    motion, period = cycles("run", 1)
    body = find_body_map(motion.skeleton)
    found = find_loops(motion, body, LoopSettings(shortest_s=1.0, longest_s=2.0))
    lengths: Array = np.array([one.end - one.start for one in found]) / RATE
    assert (lengths >= 1.0 - 1e-9).all()
    assert (lengths <= 2.0 + 1e-9).all()
    assert abs(lengths[0] * RATE - 2 * period) <= 1


@pytest.mark.parametrize("count", [4, 5, 6])
def test_the_coarse_map_looks_at_hips_head_and_limbs_where_five_of_them_are_known(count: int) -> None:
    skeleton = synthetic.skeleton()
    parts = ("hips", "head", "leftFoot", "rightFoot", "leftHand", "rightHand")[:count]
    known = {part: synthetic.parts()[part] for part in (*parts, "spine", "chest", "neck")}
    body = BodyMap.from_names(skeleton, known)
    joints = main_joints(body)
    found = loop_search._coarse_joints(body, joints)
    told = sorted(body.require(part) for part in parts)
    assert found.tolist() == (told if count >= 5 else joints.tolist())
    assert len(joints) > count


@pytest.mark.parametrize("name", ["run", "walker/turn_left1"])
def test_the_search_finds_what_each_pair_at_the_full_rate_would_give(name: str) -> None:
    """The slow twin; its table of all gaits is tests/benchmarks/loops_table.py."""
    one, _ = open_data.humanoid3d(name)
    motion = noisy(wobbled(open_data.repeated(one, 5), 1, RATE)[0], 1)
    body, settings = find_body_map(motion.skeleton), LoopSettings(kind="locomotion")
    contacts = find_contacts(motion, body)
    start, end, costs = best_gait_loop(motion, body, settings, contacts)
    best = find_loops(motion, body, settings, contacts)[0]
    assert costs[best.start, best.end] <= 1.1 * costs[start, end]


def test_locomotion_is_never_half_a_cycle() -> None:
    """Also where no longer one may be: both feet come down within half a stride and a little more."""
    known = synthetic.walk(rate=RATE, steps=14)
    motion = known.motion.slice(*known.steady)
    body = find_body_map(motion.skeleton)
    stride = _stride_frames(motion, body)
    short = LoopSettings(kind="locomotion", shortest_s=0.3, longest_s=0.7 * stride / RATE)
    assert not find_loops(motion, body, short)
    assert find_loops(motion, body, replace(short, longest_s=1.1 * stride / RATE))


@pytest.mark.parametrize("cycles", [1, 2, 4])
def test_as_many_cycles_as_asked_for(cycles: int) -> None:
    known = synthetic.walk(rate=RATE, steps=14, turn_deg=70.0)
    motion = known.motion.slice(*known.steady)
    body = find_body_map(motion.skeleton)
    found = find_loops(motion, body, LoopSettings(kind="locomotion", cycles=cycles))
    assert found
    for one in found:
        assert one.end - one.start == pytest.approx(cycles * _stride_frames(motion, body), abs=2)


def _stride_frames(motion: Motion, body: BodyMap) -> int:
    """From one landing of the left foot to the next."""
    starts = [start for start, _ in find_contacts(motion, body).ranges("leftFoot")]
    return int(np.median(np.diff(starts)))


def test_the_search_within_a_range_of_a_take_is_told_in_the_takes_frames() -> None:
    motion, _ = cycles("walk", 3)
    body = find_body_map(motion.skeleton)
    for one in find_loops(motion, body, within=(60, 300)):
        assert 60 <= one.start < one.end < 300


def test_an_idle_lasts_two_seconds_unless_a_shorter_one_is_asked_for() -> None:
    still = synthetic.idle(rate=RATE, duration_s=3.0).motion
    body = find_body_map(still.skeleton)
    for one in find_loops(still, body, LoopSettings(kind="idle")):
        assert one.end - one.start >= 2 * RATE
    with pytest.raises(InputError, match="shortest idle of 2 s"):
        find_loops(still, body, LoopSettings(kind="idle"), within=(0, 100))
    asked = LoopSettings(kind="idle", longest_s=1.0)
    assert find_loops(still, body, asked, within=(0, 100))[0].end <= RATE + 100


@pytest.mark.parametrize("name", ["walker/turn_left1", "walker/turn_right0"])
def test_a_gait_in_a_curve_loops_with_its_turn_as_root_motion(name: str) -> None:
    """Open walks that turn by 56 and by 99 degrees a cycle; uneven and noisy, the loop turns as far."""
    one, _ = open_data.humanoid3d(name)
    motion = noisy(wobbled(open_data.repeated(one, 5), 1, RATE)[0], 1)
    body = find_body_map(motion.skeleton)
    wanted = find_root_motion(one, body)
    spec = ClipSpec("curve", Moment(0), Moment(len(motion) - 1, True), loop=True, kind="locomotion")
    (clip,) = make_set(prepare_take("take", motion, body, Recipe()), Recipe(clips=(spec,)))
    assert clip.candidate is not None
    assert clip.candidate.quality == "good"
    assert abs(wanted.turn_deg) > 50
    assert clip.root_motion.turn_deg == pytest.approx(wanted.turn_deg, abs=1.5)
    four = find_root_motion(repeat_loop(clip.world_motion, clip.body, 4), clip.body)
    assert four.turn_deg == pytest.approx(4 * clip.root_motion.turn_deg, abs=0.1)
