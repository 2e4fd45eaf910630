"""Dropouts of single sensors: found by what repeats itself, bridged by what the rest of the body did."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import suit_faults
from suit_takes import suit_take
from takemill.base.checks import Array
from takemill.maths import quat
from takemill.sensors import body_bridge, dropouts
from takemill.sensors.body_bridge import bridge_from_body
from takemill.sensors.bridge import bridge
from takemill.sensors.dropouts import Dropout, bridge_dropouts, find_dropouts
from takemill.sensors.segments import Segments, find_segments, world_from_local

ONE = replace(suit_faults.NONE, dropout_s=0.5)


def world_of(name: str, seed: int, noise_deg: float = 0.25) -> tuple[Array, Array, Segments, Dropout]:
    """World orientations (F, N, 4) of a take with a dropout, without it, and where it is."""
    take = suit_take(name)
    segments = find_segments(take.motion.skeleton, take.body)
    faults = replace(ONE, noise_deg=noise_deg)
    fault = suit_faults.with_faults(take.motion, take.body, seed, faults, take.inner)
    assert fault.dropout is not None
    joint, start, stop = fault.dropout
    gap = Dropout(segments.joints.tolist().index(joint), start, stop)
    raw, true = (
        quat.continuous(world_from_local(one.skeleton, segments, one.rotations))
        for one in (fault.motion, take.motion)
    )
    return raw, true, segments, gap


def error_deg(world: Array, true: Array, gap: Dropout) -> float:
    off = quat.angle_between(world, true)[gap.start : gap.stop, gap.place]
    return float(np.degrees(np.sqrt(np.mean(off**2))))


@pytest.mark.parametrize("noise_deg", [0.0, 0.25])
@pytest.mark.parametrize("seed", [1, 2, 3, 5])
def test_a_dropout_is_found_to_the_frame(seed: int, noise_deg: float) -> None:
    raw, _, segments, gap = world_of("run", seed, noise_deg)
    assert find_dropouts(raw, segments, 60.0) == (gap,)


def test_the_whole_body_at_rest_is_no_dropout() -> None:
    """Also when it leaves its rest at once; nor is a foot that a rig pins to the floor."""
    raw, true, segments, _ = world_of("walk", 1, 0.0)
    still = true.copy()
    still[300:330] = still[299]
    assert find_dropouts(still, segments, 60.0) == ()
    pinned = true.copy()
    foot = segments.parts.index("leftFoot")
    slow = 300 + 30 * np.clip((np.arange(60) - 30) / 30, 0, 1) ** 2  # stays, then goes off softly
    pinned[300:360, foot] = true[slow.astype(int), foot]
    pinned[300:331, foot] = true[300, foot]
    after = quat.slerp(true[300, foot], true[360, foot], (np.arange(30) / 30) ** 2)
    pinned[331:361, foot] = after
    assert find_dropouts(pinned, segments, 60.0) == ()
    assert find_dropouts(raw[:3], segments, 60.0) == ()


@pytest.mark.parametrize(("repeats", "found"), [(14, False), (15, True), (16, True)])
def test_the_uppermost_segment_is_left_to_frozen_frames_up_to_a_quarter_of_a_second(repeats, found) -> None:
    """At 60 frames a second 15 repeated frames are held for a quarter; others count from 3 repeats on."""
    _, true, segments, _ = world_of("run", 1, 0.0)
    (top,) = np.flatnonzero(segments.parents < 0)
    for place, longest in ((int(top), 15), (segments.parts.index("leftLowerArm"), 3)):
        more = longest + repeats - 15
        world = true.copy()
        world[300 : 301 + more, place] = true[300, place]
        held = find_dropouts(world, segments, 60.0)
        assert held == ((Dropout(place, 301, 301 + more),) if found else ())


def test_the_uppermost_segment_hangs_on_no_other() -> None:
    """The last one moves with it until it is held, as a joint does that is frozen; that says nothing."""
    _, true, segments, _ = world_of("run", 1, 0.0)
    (top,) = np.flatnonzero(segments.parents < 0)
    world = true.copy()
    world[290:301, -1] = true[290:301, top]
    world[300:320, top] = true[300, top]
    assert Dropout(int(top), 301, 320) in find_dropouts(quat.continuous(world), segments, 60.0)


def test_a_joint_that_stays_frozen_when_its_body_moves_on_is_no_dropout() -> None:
    """Its segment is held in the world for as long as the one above it rests, and shorter than the joint."""
    _, true, segments, _ = world_of("run", 1, 0.0)
    place = segments.parts.index("leftLowerArm")
    above = int(segments.parents[place])
    world = true.copy()
    world[310:320, above] = world[310, above]
    turn = quat.mul(quat.inv(true[300, above]), true[300, place])
    world[300:340, place] = quat.mul(world[300:340, above], turn)
    held = find_dropouts(quat.continuous(world), segments, 60.0)
    assert held == (Dropout(above, 311, 320),)


def test_a_gap_in_a_walk_is_bridged_from_its_other_cycles() -> None:
    """Within 0.35 of a cubic of the same joint, over twelve gaps; the aim of the project is 0.6."""
    ours, cubic = [], []
    for seed in range(1, 13):
        raw, true, segments, gap = world_of("run", seed)
        out, done = bridge_dropouts(raw, segments, (gap,), 60.0, 1.0)
        assert done.all()
        ours.append(error_deg(out, true, gap))
        parent = segments.parents[gap.place]
        above = raw[:, parent] if parent >= 0 else np.tile(quat.IDENTITY, (len(raw), 1))
        local = quat.continuous(quat.mul(quat.inv(above), raw[:, gap.place]))
        bad = np.zeros(len(raw), bool)
        bad[gap.start : gap.stop] = True
        plain = raw.copy()
        plain[:, gap.place] = quat.mul(above, bridge(local, bad, 100)[0])
        cubic.append(error_deg(plain, true, gap))
    assert np.mean(ours) < 0.35 * np.mean(cubic)


def test_the_ends_are_met_and_nothing_else_is_touched() -> None:
    raw, true, segments, gap = world_of("walk", 4, 0.0)
    before = raw.copy()
    out, _ = bridge_dropouts(raw, segments, (gap,), 60.0, 1.0)
    assert np.array_equal(raw, before)
    changed = np.abs(out - raw).max(axis=-1) > 0
    assert set(zip(*np.nonzero(changed), strict=True)) <= {
        (frame, gap.place) for frame in range(gap.start, gap.stop)
    }
    ends = [gap.start - 2, gap.start - 1, gap.stop - 2, gap.stop - 1]
    assert (bends_deg(out, gap)[ends] < bends_deg(true, gap)[ends] + 0.5).all()  # no kink of our own


def bends_deg(world: Array, gap: Dropout) -> Array:
    """How the segment's steps change from one frame to the next (F - 2,), degrees."""
    steps = quat.log(quat.mul(quat.inv(world[:-1, gap.place]), world[1:, gap.place]))
    return np.degrees(quat.length(np.diff(steps, axis=0)))


@pytest.mark.parametrize(("frames", "by_the_body"), [(5, False), (6, True), (7, True)])
def test_gaps_of_a_tenth_of_a_second_are_asked_of_the_body(
    frames: int, by_the_body: bool, monkeypatch
) -> None:
    raw, _, segments, gap = world_of("walk", 1)
    asked: list[int] = []

    def note(*arguments):
        start, stop = arguments[3]
        asked.append(stop - start)

    monkeypatch.setattr(dropouts, "bridge_from_body", note)
    short = replace(gap, stop=gap.start + frames)
    _, done = bridge_dropouts(raw, segments, (short,), 60.0, 1.0)
    assert done.all()
    assert asked == ([frames] if by_the_body else [])


def test_what_is_too_long_is_left() -> None:
    raw, _, segments, gap = world_of("walk", 1)
    out, done = bridge_dropouts(raw, segments, (gap,), 60.0, 0.4)
    assert not done.any()
    assert np.array_equal(out, raw)


def test_where_the_rest_of_the_body_tells_nothing_a_cubic_bridges() -> None:
    """A take of two seconds has no other windows; the bridge is that of the joint alone."""
    raw, _, segments, gap = world_of("run", 1)
    part = slice(gap.start - 20, gap.stop + 20)
    short = Dropout(gap.place, 20, 20 + gap.stop - gap.start)
    bad = np.zeros(raw[part].shape[:2], bool)
    bad[short.start : short.stop, short.place] = True
    assert bridge_from_body(raw[part], segments, gap.place, (short.start, short.stop), bad, 60.0) is None
    out, done = bridge_dropouts(raw[part], segments, (short,), 60.0, 1.0)
    assert done.all()
    assert np.isfinite(out).all()
    assert np.abs(quat.length(out) - 1).max() < 1e-9


@pytest.mark.parametrize("length", [1, 5, 30])
def test_what_is_beside_a_gap_is_weighed_so_that_a_parabola_goes_on_through_it(length: int) -> None:
    reach = body_bridge._SLOPE_FRAMES
    frames = np.arange(-reach, length + reach)
    parabola = 0.4 - 1.5 * frames + 0.02 * frames**2
    inside = (frames >= 0) & (frames < length)
    through = body_bridge._cubic(length) @ parabola[~inside]
    np.testing.assert_allclose(through, parabola[inside], atol=1e-9)


def test_the_others_are_looked_at_from_before_a_gap_to_after_it() -> None:
    """With 12 frames on either side of a gap of 10, from 13 before its first frame to 13 after its last."""
    segments = Segments(np.arange(2), ("hips", "spine"), np.array([-1, 0]))
    starts = np.array([40, 140])
    for at, seen in ((-14, False), (-13, True), (22, True), (23, False)):
        world = np.tile(quat.IDENTITY, (200, 2, 1))
        world[40 + at, 0] = quat.exp(np.array([0.5, 0.0, 0.0]))
        rows = body_bridge._others(world, segments, [0], 1, 0, starts, 10, 12)
        assert (np.ptp(rows, axis=0).max() > 0.01) == seen, at


def test_a_cubic_passes_a_gap_unchanged() -> None:
    """Exact answer: a segment that turns at an even rate while the others sway goes on at that rate."""
    count, rate = 600, 60.0
    t = np.arange(count) / rate
    segments = Segments(
        np.arange(4), ("hips", "spine", "leftUpperLeg", "rightUpperLeg"), np.array([-1, 0, 0, 0])
    )
    sway = 0.3 * np.sin(2 * np.pi * np.stack([t, 1.3 * t, 0.7 * t], axis=1))
    world = np.empty((count, 4, 4))
    world[:, 0] = quat.exp(0.1 * sway)
    world[:, 1] = quat.mul(world[:, 0], quat.from_axis_angle(np.array([1.0, 0, 0]), 0.05 * t))
    for place in (2, 3):
        world[:, place] = quat.mul(world[:, 0], quat.exp(sway * place))
    gap, bad = (300, 330), np.zeros((count, 4), bool)
    bad[300:330, 1] = True
    raw = world.copy()
    raw[300:330, 1] = raw[299, 1]
    out = bridge_from_body(raw, segments, 1, gap, bad, rate)
    assert out is not None
    assert np.degrees(quat.angle_between(out, world[300:330, 1])).max() < 0.02


@pytest.mark.parametrize("length", [6, 30, 60])
def test_the_ends_of_a_gap_are_met_by_a_cubic_in_place_and_slope(length: int) -> None:
    """Exact answer: what beside a gap lies on a quadratic goes on along it, whatever the gap's length."""
    path = np.polynomial.Polynomial([0.3, -0.02, 0.0007])
    beside = np.concatenate([np.arange(-5, 0), length + np.arange(5)])
    inside = body_bridge._cubic(length) @ path(beside)
    assert np.abs(inside - path(np.arange(length))).max() < 1e-9
