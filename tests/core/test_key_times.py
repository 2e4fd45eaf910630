"""Masks of keys: grids, splits and shared times."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from takemill.key_times import chord_gap, coarsest, neighbours, share, split


def mask(*rows: str) -> np.ndarray:
    return np.array([[letter == "x" for letter in row] for row in rows])


def test_neighbours_are_the_keys_around_each_frame():
    last, after = neighbours(mask("x..x.x", "xxxxxx"))
    np.testing.assert_array_equal(last, [[0, 0, 0, 3, 3, 5], range(6)])
    np.testing.assert_array_equal(after, [[0, 3, 3, 3, 5, 5], range(6)])


@pytest.mark.parametrize("frames", [1, 2, 3, 5, 8, 9, 64, 65, 130])
def test_a_straight_curve_needs_no_keys_but_the_widest_grid(frames):
    curve = np.linspace([0.0, 1.0, 2.0], [3.0, 1.0, 0.0], frames)[None]
    keys = coarsest(curve, np.full((1, frames), 1e-9))
    np.testing.assert_array_equal(np.flatnonzero(keys[0]), np.unique([*range(0, frames, 64), frames - 1]))


def test_grid_keys_keep_chords_within_what_is_allowed_and_no_wider_block_would():
    rng = np.random.default_rng(2)
    curve = np.cumsum(np.cumsum(rng.normal(scale=0.01, size=(3, 101, 3)), 1), 1)
    allowed = rng.uniform(0.02, 0.1, (3, 101))
    keys = coarsest(curve, allowed)
    for row in range(3):  # the slow twin: whole blocks of a level only where both halves are whole
        want = np.ones(101, bool)
        whole = set(range(100))
        for level in range(1, 7):
            size, above = 2**level, set()
            for start in range(0, 100, size):
                end, middle = min(start + size, 100), start + size // 2
                t = np.arange(end - start + 1)[:, None] / (end - start)
                line = curve[row, start] * (1 - t) + curve[row, end] * t
                near = (
                    np.linalg.norm(line - curve[row, start : end + 1], axis=1)
                    <= allowed[row, start : end + 1]
                )
                if near.all() and start in whole and (middle in whole or middle >= 100):
                    above.add(start)
                    if middle < 100:
                        want[middle] = False
            whole = above
        np.testing.assert_array_equal(keys[row], want)


def test_the_gap_of_a_chord_is_half_the_angle_whatever_its_length():
    """Source of the angle: SciPy's Rotation.magnitude."""
    rng = np.random.default_rng(3)
    curve = Rotation.from_quat(rng.normal(size=(50, 4)))
    turn = Rotation.from_rotvec(rng.normal(scale=1e-3, size=(50, 3)))
    chord = (turn * curve).as_quat() * rng.uniform(0.999, 1, (50, 1))
    np.testing.assert_allclose(2 * chord_gap(curve.as_quat(), chord), turn.magnitude(), rtol=3e-3)


def test_a_split_puts_one_key_on_the_coarsest_grid_into_each_span_that_asks():
    keys = mask("x.......x..x", "x..........x")
    where = mask("..x.x....x..", "............")
    np.testing.assert_array_equal(split(keys, where), mask("x...x...x.xx", "x..........x"))


def test_keys_asked_for_where_there_are_keys_change_nothing():
    keys = mask("x..x")
    np.testing.assert_array_equal(split(keys, keys), keys)


def test_splitting_ends_with_every_frame():
    keys = mask("x" + "." * 71 + "x")
    for _ in range(7):
        keys = split(keys, np.ones_like(keys))
    assert keys.all()


def test_channels_share_times_where_that_saves_bytes():
    frames = 1000
    even = np.arange(frames) % 2 == 0
    even[-1] = True
    few = np.arange(frames) % 50 == 0
    few[-1] = True
    full = np.ones(frames, bool)
    group, keys = share(np.array([even, full, few, even, ~few | full]), [8, 8, 8, 8, 12])
    assert group[1] == group[4] != group[0] == group[3] != group[2] != group[1]
    np.testing.assert_array_equal(keys[group], [even, full, few, even, full])


def test_groups_never_lack_a_key_and_never_cost_more_than_all_frames():
    rng = np.random.default_rng(4)
    keys = rng.uniform(size=(30, 90)) < rng.uniform(size=(30, 1))
    keys[:, [0, -1]] = True
    group, shared = share(keys, [8] * 30)
    assert (shared[group] >= keys).all()
    sizes = [
        8 * (group == g).sum() * row.sum() + (0 if row.all() else 4 * row.sum())
        for g, row in enumerate(shared)
    ]
    assert sum(sizes) <= 8 * 30 * 90
