"""Masks of keys: how far spans reach, walks along them, and shared times."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.keys.key_times import (
    MAX_SPAN_TURN_RAD,
    developed,
    halve_spans,
    neighbours,
    reaches,
    share_all_times,
    share_times,
    spans_of,
    take_longest_spans,
)
from takemill.maths import quat


def mask(*rows: str) -> np.ndarray:
    return np.array([[letter == "x" for letter in row] for row in rows])


def one_clip(frames: int) -> np.ndarray:
    return np.full(frames, frames - 1)


def test_neighbours_are_the_keys_around_each_frame():
    last, after = neighbours(mask("x..x.x", "xxxxxx"))
    np.testing.assert_array_equal(last, [[0, 0, 0, 3, 3, 5], range(6)])
    np.testing.assert_array_equal(after, [[0, 3, 3, 3, 5, 5], range(6)])


def test_spans_tell_the_frames_between_keys():
    spans = spans_of(mask("x..xx", "xxx.x"))
    np.testing.assert_array_equal(spans.keys, [0, 3, 4, 5, 6, 7, 9])
    np.testing.assert_array_equal(spans.inside, [1, 2, 8])
    np.testing.assert_array_equal(spans.low, [0, 0, 5])
    np.testing.assert_allclose(spans.part, [1 / 3, 2 / 3, 1 / 2], rtol=1e-6)


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 64, 129, 200])
def test_a_straight_curve_reaches_as_far_as_spans_go(frames):
    curve = np.linspace([0.0, 1.0, 2.0], [3.0, 1.0, 0.0], frames).T[:, None]
    reach = reaches(curve, np.full((1, frames), 1e-9), one_clip(frames))
    assert reach[0, -1] == 0
    assert reach[0, 0] == {1: 0, 2: 1, 3: 2, 5: 4, 64: 56}.get(frames, 128)


def test_a_constant_spin_is_as_straight_as_a_line():
    """Slerp plays it exactly, whatever its components do."""
    turn = quat.from_axis_angle(np.array([0.3, 1.0, 0.2]), np.arange(60) * 0.05).T[:, None]
    curve = developed(turn, np.array([60]))
    reach = reaches(curve, np.full((1, 60), 1e-4), one_clip(60), MAX_SPAN_TURN_RAD)[0]
    assert reach[0] == 20  # 1 radian, of which 0.94 about one axis
    assert reach[50] == 9


def test_developed_rotations_stray_from_chords_as_slerp_does():
    """The slow twin: the angle between slerp and the rotations, by `quat`."""
    rng = np.random.default_rng(6)
    waves = np.sin(np.arange(41)[:, None] * rng.uniform(0.05, 0.2, 3) + rng.uniform(0, 6, 3)) * 0.3
    turns = quat.mul(quat.normalize(rng.normal(size=4)), quat.exp(waves))
    flat = developed(turns.T[:, None], np.array([41]))[:, 0].T
    for start in (0, 7, 20):
        part = np.arange(9) / 8
        inside = slice(start, start + 9)
        slerped = quat.slerp(turns[start], turns[start + 8], part)
        chord = flat[start] + part[:, None] * (flat[start + 8] - flat[start])
        want = quat.angle_between(slerped, turns[inside])
        found = np.linalg.norm(chord - flat[inside], axis=1)
        np.testing.assert_allclose(found, want, atol=0.15 * want.max())


def test_developed_clips_feel_nothing_of_each_other():
    rng = np.random.default_rng(7)
    turns = [quat.normalize(np.cumsum(rng.normal(size=(n, 2, 4)), 0)).T.swapaxes(1, 2) for n in (9, 14)]
    turns = [one.swapaxes(1, 2).astype(np.float32) for one in turns]
    both = developed(np.concatenate(turns, axis=-1), np.array([9, 23]))
    alone = [developed(one, np.array([one.shape[-1]])) for one in turns]
    np.testing.assert_array_equal(both, np.concatenate(alone, axis=-1))


def test_no_span_reaches_beyond_its_clip():
    curve = np.zeros((3, 1, 30))
    last = np.repeat([9, 29], [10, 20])
    reach = reaches(curve, np.full((1, 30), 1.0), last)
    assert (np.arange(30) + reach[0] <= last).all()
    assert (reach[0, [8, 28]] == 1).all()


def test_chords_of_the_reach_stay_near_the_curve():
    """The slow twin: every frame of every chord, within twice what the cone of single axes asks for."""
    rng = np.random.default_rng(2)
    curve = np.cumsum(np.cumsum(rng.normal(scale=0.01, size=(3, 4, 101)), -1), -1)
    reach = reaches(curve, np.full((4, 101), 0.05), one_clip(101))
    assert reach.max() > 4
    for row in range(4):
        for start in range(100):
            end = start + reach[row, start]
            part = np.linspace(0, 1, end - start + 1)
            chord = curve[:, row, start, None] * (1 - part) + curve[:, row, end, None] * part
            assert np.abs(chord - curve[:, row, start : end + 1]).max() <= 0.1


def test_a_looser_bound_reaches_farther():
    curve = (np.arange(90.0) ** 2 * 1e-4)[None, None].repeat(3, 0)
    reach = [reaches(curve, np.full((1, 90), e), one_clip(90))[0, 0] for e in (1e-4, 4e-4, 16e-4)]
    assert reach[0] < reach[1] < reach[2]


def test_a_walk_sets_keys_as_far_apart_as_each_reaches():
    reach = np.array([[3, 9, 9, 2, 9, 1, 0], [1, 2, 9, 3, 9, 9, 0]])
    np.testing.assert_array_equal(take_longest_spans(reach, np.array([0, 7])), mask("x..x.xx", "xx.x..x"))


def test_spans_that_ask_are_halved():
    keys = mask("x.......x..x", "x..........x")
    where = mask("..x.x....x..", "............")
    np.testing.assert_array_equal(halve_spans(keys, where), mask("x...x...xx.x", "x..........x"))
    np.testing.assert_array_equal(halve_spans(keys, keys), keys)


def test_halving_ends_with_every_frame():
    keys = mask("x" + "." * 71 + "x")
    for _ in range(7):
        keys = halve_spans(keys, np.ones_like(keys))
    assert keys.all()


def test_channels_share_times_where_that_saves_bytes():
    two, fifty = np.full(1000, 2), np.full(1000, 50)
    dense = np.ones(1000, int)
    group, reach, _ = share_times(np.array([two, dense, fifty, two, dense]), np.array([8, 8, 8, 8, 12]))
    assert group[1] == group[4] == 0
    assert 0 < group[0] == group[3] != group[2] > 0
    np.testing.assert_array_equal(reach[group], [two, [*dense[:-1], 0], fifty, two, [*dense[:-1], 0]])


def test_groups_reach_no_farther_than_their_channels_and_never_cost_more_than_all_frames():
    rng = np.random.default_rng(4)
    reach = rng.integers(1, 6, size=(30, 90))
    group, shared, _ = share_times(reach, np.full(30, 8))
    assert (shared[group] <= reach).all()
    sizes = [
        (8 * (group == g).sum() + (4 if g else 0)) * (1 / np.maximum(row, 1)).sum()
        for g, row in enumerate(shared)
    ]
    assert sum(sizes) <= 8 * 30 * 90


def test_channels_that_bend_at_the_same_frames_take_the_same_keys():
    four = np.tile(np.arange(97)[::-1] % 4, (5, 1))
    four[:, ::4] = 4
    four[:, -1] = 0
    group, reach, size = share_all_times(four, np.full(5, 8))
    assert set(group) == {1}
    np.testing.assert_array_equal(reach[1], four[0])
    assert 25 * (5 * 8 + 4) + 110 <= size < 1.2 * 25 * (5 * 8 + 4) + 110
