from __future__ import annotations

from takemill.health.finding import Finding
from takemill.health.table import KINDS, by_kind


def found(kind: str, joint: str, start: int, stop: int, amount: float) -> Finding:
    return Finding(kind, joint, start, stop, amount, "deg", False, "")


def test_rows_count_findings_frames_and_joints_and_name_the_worst() -> None:
    spikes = [
        found("spike", "hand", 5, 7, 9.0),
        found("spike", "foot", 1, 4, 31.0),
        found("spike", "hand", 8, 9, 8.0),
    ]
    floor = found("floor", "", 0, 100, -40.0)
    rows = by_kind([*spikes, floor], [spikes[0]])
    assert [(row.kind, row.count, row.left, row.frames, row.joints) for row in rows] == [
        ("spike", 3, 1, 6, 2),
        ("floor", 1, 0, 100, 0),
    ]
    assert [row.worst for row in rows] == [spikes[1], floor]


def test_what_only_a_repair_left_is_a_row_too() -> None:
    new = found("skating", "foot", 3, 9, 2.0)
    (row,) = by_kind([], [new])
    assert (row.count, row.left, row.worst) == (0, 1, new)
    assert by_kind([]) == ()


def test_kinds_come_in_one_order_and_strange_ones_last() -> None:
    rows = by_kind([found(kind, "x", 0, 1, 1.0) for kind in ("zebra", *reversed(KINDS))])
    assert [row.kind for row in rows] == [*KINDS, "zebra"]
