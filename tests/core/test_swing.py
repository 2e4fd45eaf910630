"""Chains swing as the specification says, the same at all rates, and loops close by themselves."""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from scipy.interpolate import CubicSpline
from scipy.signal import butter, filtfilt

import open_data
from fit_bodies import Build, body, moved
from spring_bodies import PRESETS_OF, ends_of, with_chains, with_presets
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.loops.loop_close import close_loop
from takemill.maths import quat
from takemill.springs import swing as swing_module
from takemill.springs.springs import STEP_S, SpringJoint, Springs, chain_along, joints_of
from takemill.springs.springs_drive import on_curves
from takemill.springs.swing import swing

CLIPS = ("walk", "run", "spin", "punch", "kick", "jump")


def at_rate(motion: Motion, rate: float, seconds: float) -> Motion:
    """The motion as it was before it was sampled, up to 8 Hz: what 30 frames a second hold without doubt.

    Source: scipy, filtfilt and CubicSpline. People's limbs move below that (Winter, Biomechanics and Motor
    Control of Human Movement, filters walks at 6 Hz; from memory).
    """
    own = np.arange(len(motion)) / motion.rate
    times = np.arange(round(seconds * rate) + 1) / rate
    filtered = [
        filtfilt(*butter(2, min(8.0, 0.4 * motion.rate), fs=motion.rate), track, axis=0)
        for track in (motion.rotations, motion.root_translation)
    ]
    turns, path = (CubicSpline(own, track)(times) for track in filtered)
    return Motion(motion.skeleton, rate, quat.normalize(turns), path)


@cache
def loop_of(clip: str, rate: float) -> tuple[Motion, Springs]:
    """A closed loop of an open motion, with chains."""
    motion, _ = open_data.humanoid3d(clip)
    parts = find_body_map(motion.skeleton)
    return with_chains(close_loop(motion.resampled(rate), parts), parts)


def tails(count: int = 4) -> tuple[Motion, Springs]:
    """A body whose every joint moves, its tail of default springs too."""
    skeleton, parts = body(Build(tail=count, roll_seed=3))
    return moved(skeleton, 2, frames=60), Springs((chain_along("tail", skeleton, parts.chain("tail")),))


def slow_ends(motion: Motion, springs: Springs, still: int) -> Array:
    """The same by the words of VRMC_springBone 1.0, one joint and one step after another, without colliders.

    The first pose is held for `still` steps before; one frame is one step.
    """
    (chain,) = springs.chains
    turns, places = motion.model()
    local = motion.rotations
    tail = [places[0, one.joint] + quat.rotate(turns[0, one.joint], one.end) for one in chain.joints]
    before, out = list(tail), []
    for step in [0] * still + list(range(len(motion))):
        above = motion.skeleton.parents[chain.joints[0].joint]
        parent, head = turns[step, above], places[step, chain.joints[0].joint]
        for k, one in enumerate(chain.joints):
            held = quat.mul(parent, local[step, one.joint])
            axis = one.end / one.length_m
            inertia = (tail[k] - before[k]) * (1 - one.drag)
            stiffness = STEP_S * one.stiffness * quat.rotate(held, axis)
            external = STEP_S * one.gravity * one.gravity_dir
            after = tail[k] + inertia + stiffness + external - head
            after = head + after / np.linalg.norm(after) * one.length_m
            before[k], tail[k] = tail[k], after
            turn = quat.between(axis, quat.rotate(quat.inv(held), after - head))
            parent, head = quat.mul(held, turn), after
        out.append(list(tail))
    return np.array(out)[still:]


def test_the_steps_are_those_of_the_specification():
    """Source: VRMC_springBone 1.0, its algorithm word for word."""
    motion, springs = tails()
    chain = springs.chains[0]
    joints = tuple(replace(one, stiffness=0.6, drag=0.15, gravity=0.1) for one in chain.joints)
    springs = Springs((replace(chain, joints=joints),))
    begin = np.clip(np.arange(120) - 20.0, 0, 59)
    motion = motion.sampled(begin, 1 / STEP_S)
    (swung,) = swing([motion], [False], springs)
    found = ends_of(motion, springs, swung.rotations)
    np.testing.assert_allclose(found, slow_ends(motion, springs, 900), atol=1e-6)
    held = ends_of(motion, springs, motion.rotations[:, list(joints_of(springs))])
    assert np.linalg.norm(found - held, axis=-1).max() > 0.1


@pytest.mark.parametrize("clip", CLIPS)
def test_thirty_sixty_and_a_hundred_and_twenty_frames_a_second_swing_alike(clip):
    motion, _ = open_data.humanoid3d(clip)
    parts, ends = find_body_map(motion.skeleton), {}
    seconds = np.floor(motion.duration_s * 30) / 30
    for rate in (30, 60, 120):
        long, springs = with_chains(at_rate(motion, rate, seconds), parts)
        springs = with_presets(springs)
        (swung,) = swing([long], [False], springs)
        ends[rate] = ends_of(long, springs, swung.rotations)[:: rate // 30]
    held = ends_of(long, springs, long.rotations[:, list(joints_of(springs))])[::4]
    assert np.linalg.norm(ends[120] - held, axis=-1).max() > 0.05
    for one, other in ((30, 60), (60, 120), (30, 120)):
        assert np.linalg.norm(ends[one] - ends[other], axis=-1).max() < 0.005


def two_cycles(loop: Motion) -> Motion:
    """A loop with root motion, played twice in a row."""
    turn, place = joint_in_model(loop, 0)
    way = quat.from_yaw(quat.yaw(quat.mul(turn[-1], quat.inv(turn[0]))))
    path = place[-1] - quat.rotate(way, place[0]) + quat.rotate(way, place[1:])
    turns = np.concatenate([loop.rotations, loop.rotations[1:]])
    turns[len(loop) :, 0] = quat.mul(way, loop.rotations[1:, 0])
    return Motion(loop.skeleton, loop.rate, turns, np.concatenate([place, path]))


def jolts(loop: Motion, springs: Springs, rotations: Array) -> Array:
    """How bones' ends accelerate (F - 1, N) beside the root, metres a frame squared; the seam is last."""
    turn, place = joint_in_model(loop, 0)
    ends = ends_of(loop, springs, rotations)
    seen = quat.rotate(quat.inv(turn)[:, None], ends - place[:, None])
    around = np.concatenate([seen[:-1], seen[:2]])
    return np.linalg.norm(around[2:] - 2 * around[1:-1] + around[:-2], axis=-1)


@pytest.mark.parametrize("rate", [24.0, 30.0, 60.0])
@pytest.mark.parametrize("clip", CLIPS)
def test_loops_end_as_they_begin_without_a_pop(clip, rate):
    """Ends equal to 1e-6, and across the seam no acceleration beyond the 95th percentile of the clip."""
    loop, springs = loop_of(clip, rate)
    for one in (springs, with_presets(springs)):
        free = replace(one, chains=tuple(replace(chain, colliders=()) for chain in one.chains))
        (swung,) = swing([loop], [True], free)
        assert swung.gap_m == 0
        assert quat.angle_between(swung.rotations[0], swung.rotations[-1]).max() < 1e-6
        jolt = jolts(loop, free, swung.rotations)
        assert (jolt[-1] <= np.percentile(jolt, 95, axis=0)).all()


@pytest.mark.parametrize("rate", [24.0, 30.0, 60.0])
@pytest.mark.parametrize("clip", CLIPS)
def test_loops_with_colliders_jump_at_their_seam_no_more_than_where_none_is(clip, rate):
    """A chain may hit a collider in any frame, the seam's too: then as in the middle of two cycles."""
    loop, springs = loop_of(clip, rate)
    twice = two_cycles(loop)
    for one in (springs, with_presets(springs)):
        (swung,), (again,) = swing([loop], [True], one), swing([twice], [True], one)
        assert swung.gap_m == 0
        assert quat.angle_between(swung.rotations[0], swung.rotations[-1]).max() < 1e-6
        jolt = jolts(loop, one, swung.rotations)
        middle = jolts(twice, one, again.rotations)[len(loop) - 2]
        assert (jolt[-1] <= np.maximum(np.percentile(jolt, 95, axis=0), middle + 1e-5)).all()


def test_a_loop_goes_on_as_two_cycles_of_it_do():
    """In a walk that is played twice in a row as one loop, each half is the loop."""
    loop, springs = loop_of("walk", 30.0)
    (once,), (swung,) = swing([loop], [True], springs), swing([two_cycles(loop)], [True], springs)
    np.testing.assert_allclose(np.abs(swung.rotations[: len(loop)]), np.abs(once.rotations), atol=1e-5)


def test_a_chain_that_never_rests_is_mixed_so_that_its_ends_meet(monkeypatch):
    """Here it is told so early; the numbers of a chain that swings on for half a minute are hard to find."""
    monkeypatch.setattr(swing_module, "_MAX_S", 0.0)
    monkeypatch.setattr(swing_module, "_MIN_CYCLES", 2)
    motion, springs = tails(2)
    joints = tuple(replace(one, drag=0.0, stiffness=0.3) for one in springs.chains[0].joints)
    springs = Springs((replace(springs.chains[0], joints=joints),))
    frames = np.concatenate([np.arange(60), np.arange(58, -1, -1)]).astype(float)
    loop = motion.sampled(frames, 30.0)
    (swung,) = swing([loop], [True], springs)
    assert swung.gap_m > 1e-4
    assert quat.angle_between(swung.rotations[0], swung.rotations[-1]).max() < 1e-9
    steps = quat.angle_between(swung.rotations[1:], swung.rotations[:-1]).max(axis=-1)
    assert max(steps[0], steps[-1]) <= np.percentile(steps, 95)


def test_the_way_over_the_floor_counts_but_for_a_center():
    """At 2 m/s a still body's tail trails behind; with its hips as center it hangs as it does at rest."""
    skeleton, parts = body(Build(tail=4))
    path = skeleton.rest_translation[0] + np.arange(60)[:, None] / 30 * [0.0, -2.0, 0.0]
    motion = Motion(skeleton, 30.0, np.tile(skeleton.rest_rotation, (60, 1, 1)), path)
    chain = chain_along("tail", skeleton, parts.chain("tail"))
    (trails,) = swing([motion], [False], Springs((chain,)))
    away = quat.angle_between(trails.rotations, motion.rotations[:, list(parts.chain("tail"))])
    assert away.max() > 0.05
    np.testing.assert_allclose(
        away, np.broadcast_to(away[0], away.shape), atol=1e-5
    )  # from the first frame on
    centered = replace(chain, center=parts.require("hips"))
    (hangs,) = swing([motion], [False], Springs((centered,)))
    assert quat.angle_between(hangs.rotations, motion.rotations[:, list(parts.chain("tail"))]).max() < 1e-6


def test_clips_together_are_each_as_alone_and_nothing_given_changes():
    motion, springs = tails()
    others = [motion, motion.slice(5, 40), motion.resampled(24.0), motion.slice(0, 1)]
    kept = [one.rotations.copy() for one in others]
    loops = [False, False, False, False]
    for one, found in zip(others, swing(others, loops, springs), strict=True):
        (alone,) = swing([one], [False], springs)
        np.testing.assert_allclose(found.rotations, alone.rotations, atol=1e-9)
        assert found.rotations.shape == (len(one), 4, 4)
    for one, before in zip(others, kept, strict=True):
        np.testing.assert_array_equal(one.rotations, before)


def test_a_branch_swings_with_the_chain_that_carries_it():
    """A chain below another one's joint: turned as a whole, it does as if the two were one."""
    motion, springs = tails(4)
    chain = springs.chains[0]
    parts = Springs(
        (replace(chain, name="tip", joints=chain.joints[2:]), replace(chain, joints=chain.joints[:2]))
    )
    (whole,), (split,) = swing([motion], [False], springs), swing([motion], [False], parts)
    order = [joints_of(parts).index(joint) for joint in joints_of(springs)]
    np.testing.assert_allclose(split.rotations[:, order], whole.rotations, atol=1e-9)


def test_nothing_swings_without_chains():
    motion, _ = tails()
    (swung,) = swing([motion], [False], Springs())
    assert swung.rotations.shape == (len(motion), 0, 4)


def test_a_loop_of_one_frame_is_refused():
    motion, springs = tails()
    with pytest.raises(InputError, match="a loop of 1 frame"):
        swing([motion.slice(0, 1)], [True], springs)


def test_an_end_that_is_bent_back_all_the_way_still_turns():
    """Straight back there is no shortest turn: any half turn does."""
    motion, _ = tails(2)
    parts = find_body_map(motion.skeleton)
    tail = parts.chain("tail")
    springs = Springs((chain_along("tail", motion.skeleton, tail),))
    one = springs.chains[0].joints[0]
    away = SpringJoint(
        one.joint, one.end, 0.0, 1.0, 50.0, -quat.rotate(motion.model()[0][0, one.joint], one.end)
    )
    (swung,) = swing([motion.slice(0, 1)], [False], Springs((replace(springs.chains[0], joints=(away,)),)))
    turned = quat.angle_between(swung.rotations[0, 0], motion.rotations[0, one.joint])
    assert turned == pytest.approx(np.pi, abs=1e-6) or turned == pytest.approx(0, abs=1e-6)


def test_presets_are_tried_on_every_chain():
    assert set(PRESETS_OF.values()) == {"tail", "ears", "strap"}


def halved(motion: Motion) -> tuple[Motion, Motion]:
    """A motion of 60 frames a second, and every other frame of it."""
    motion = motion.slice(0, (len(motion) - 1) // 2 * 2 + 1)
    return motion, motion.sampled(np.arange(0, len(motion), 2.0), 30.0)


def open_at_60(clip: str) -> Motion:
    """An open motion at 60 frames a second, unfiltered: its own, or scipy's CubicSpline through them."""
    motion, _ = open_data.humanoid3d(clip)
    if motion.rate == 60:
        return motion
    own, times = np.arange(len(motion)) / motion.rate, np.arange(int(motion.duration_s * 60) + 1) / 60
    turns, path = (CubicSpline(own, track)(times) for track in (motion.rotations, motion.root_translation))
    return Motion(motion.skeleton, 60.0, quat.normalize(turns), path)


@pytest.mark.parametrize("clip", ["jump", "kick", "punch", "run", "spin"])
def test_unfiltered_motions_at_thirty_frames_swing_as_near_as_their_frames_tell(clip):
    """Within 7.5 mm of 60 frames a second, colliders included; with the fourth degree alone 24 on the spin.

    The frames of the jump are recorded 60 times a second: those between lie 10 mm off a curve through every
    other one of them, which no way to swing can know.
    """
    full, half = (with_chains(one, find_body_map(one.skeleton)) for one in halved(open_at_60(clip)))
    ends = []
    for motion, springs in (full, half):
        springs = with_presets(springs)
        (swung,) = swing([motion], [False], springs)
        ends.append(ends_of(motion, springs, swung.rotations))
    assert np.linalg.norm(ends[0][::2] - ends[1], axis=-1).max() < 0.0075
    held = ends_of(full[0], full[1], full[0].rotations[:, list(joints_of(full[1]))])
    spline = CubicSpline(np.arange(0, len(held), 2), held[::2])(np.arange(len(held)))
    assert (np.linalg.norm(spline - held, axis=-1).max() > 0.008) == (clip == "jump")


@pytest.mark.parametrize("count", [1, 2, 3, 5, 8, 40])
def test_curves_between_frames_are_cubic_splines(count):
    """Source: scipy, CubicSpline through the same values; and exact at the values themselves."""
    rng, aside = np.random.default_rng(count), 6
    values = np.cumsum(rng.normal(size=(count + 2 * aside, 3)), axis=0)
    places = np.linspace(0, count - 1, 4 * count)
    right = CubicSpline(np.arange(len(values)) - aside, values)(places)
    found = on_curves(values, places, aside=aside)
    np.testing.assert_allclose(found, right, atol=2e-3 * np.ptp(values))
    np.testing.assert_allclose(
        on_curves(values, np.arange(count), aside=aside), values[aside:-aside], atol=1e-12
    )
    straight = np.arange(count + 4.0)[:, None]
    np.testing.assert_allclose(on_curves(straight, places)[:, 0], places + 2, atol=1e-12)
