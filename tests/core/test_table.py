"""Findings in rows and in words: what is counted adds up."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np

from takemill.health.finding import Finding
from takemill.health.table import KINDS, count_by_kind, counts_text, outcome


def found(kind: str, joint: str, start: int, stop: int, amount: float) -> Finding:
    return Finding(kind, joint, start, stop, amount, "deg", False, "")


def test_rows_count_findings_frames_and_joints_and_name_the_worst() -> None:
    spikes = [
        found("spike", "hand", 5, 7, 9.0),
        found("spike", "foot", 1, 4, 31.0),
        found("spike", "hand", 8, 9, 8.0),
    ]
    floor = found("floor", "", 0, 100, -40.0)
    rows = count_by_kind([*spikes, floor], outcome([*spikes, floor], [spikes[0]], ()))
    assert [(row.kind, row.count, row.repaired, row.left, row.frames, row.joints) for row in rows] == [
        ("spike", 3, 2, 1, 6, 2),
        ("floor", 1, 1, 0, 100, 0),
    ]
    assert [row.worst for row in rows] == [spikes[1], floor]


def test_what_only_a_repair_left_is_a_row_too() -> None:
    new = found("skating", "foot", 3, 9, 2.0)
    (row,) = count_by_kind([], outcome([], [new], ()))
    assert (row.count, row.repaired, row.left, row.worst) == (1, 0, 1, new)
    assert count_by_kind([]) == ()


def test_repaired_and_left_add_up_to_the_findings() -> None:
    """In the list, in its rows and in words, whatever the checks list; left is what the check lists after."""
    rng = np.random.default_rng(4)
    for _ in range(200):
        before, after = (
            [
                found(("spike", "frozen", "skating")[rng.integers(3)], "ab"[rng.integers(2)], k, k + 3, 1.0)
                for k in rng.integers(0, 40, rng.integers(0, 6)).tolist()
            ]
            for _ in range(2)
        )
        marked = outcome(before, after, ())
        left = [one for one in marked if not one.repaired]
        assert sorted(map(repr, left)) == sorted(map(repr, after))
        assert all(replace(one, repaired=False) in before for one in marked if one.repaired)
        rows = count_by_kind(before, marked)
        assert all(row.count == row.repaired + row.left for row in rows)
        assert sum(row.count for row in rows) == len(marked) >= max(len(before), len(after))
        numbers = [int(word) for word in re.findall(r"\d+", counts_text(marked))]
        assert numbers == ([len(marked), len(marked) - len(left), len(left)] if marked else [])


def test_a_finding_that_stays_where_it_was_is_the_one_left() -> None:
    here, there = found("spike", "hand", 5, 7, 9.0), found("spike", "hand", 50, 52, 3.0)
    marked = outcome([here, there], [replace(here, start=6)], ())
    assert [(one.start, one.repaired) for one in marked] == [(6, False), (50, True)]


def test_a_pose_whose_misalignment_is_corrected_is_not_left() -> None:
    """It is still held in the repaired take."""
    pose = found("reference_pose", "hand", 0, 90, 8.0)
    assert outcome([pose], [pose], [replace(pose, repaired=True)]) == (replace(pose, repaired=True),)
    assert outcome([pose], [pose], [pose]) == (pose,)
    assert outcome([], [], [pose]) == (pose,), "what only the repair says, as that it found no pose"
    assert counts_text([pose], would=True) == "1 finding: 0 would be repaired, 1 left"


def test_kinds_come_in_one_order_and_strange_ones_last() -> None:
    rows = count_by_kind([found(kind, "x", 0, 1, 1.0) for kind in ("zebra", *reversed(KINDS))])
    assert [row.kind for row in rows] == [*KINDS, "zebra"]
