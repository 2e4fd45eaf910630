"""Start, loop, turns and stop of open gaits that were made to start and stop.

The gaits are the DeepMimic references of `open_data`; how they start and stop is made here (gait_takes.py).
"""

from __future__ import annotations

import numpy as np
import pytest

from gait_takes import start_and_stop
from takemill.base.errors import InputError
from takemill.body.body_map import heading
from takemill.clip.events import foot_events
from takemill.clip.seam_quality import SUGGESTED
from takemill.cuts.cuts import suggest_cuts
from takemill.feet.contacts import find_contacts
from takemill.loops.gait_parts import GaitPart, _Steps, find_gait_parts, nearest_pose
from takemill.loops.loop_search import LoopSettings, measure_loops


def gait_range(motion, body, contacts) -> tuple[int, int]:
    """The frames of the take's one gait."""
    (cut,) = (one for one in suggest_cuts(motion, body, contacts=contacts) if one.kind == "locomotion")
    return cut.start, cut.stop


def parts_of(*asked, settings: LoopSettings | None = None):
    motion, body = start_and_stop(*asked)
    contacts = find_contacts(motion, body)
    within = gait_range(motion, body, contacts)
    return motion, body, contacts, within, find_gait_parts(motion, body, contacts, within, settings)


@pytest.mark.parametrize("name", ["walk", "run", "walker/0walk_forward", "walker/turn_left0"])
def test_parts_meet_in_one_pose_as_one_foot_comes_down(name):
    motion, body, contacts, within, parts = parts_of(name)
    assert [one.part for one in parts] == ["start", "loop", "stop"]
    start, loop, stop = parts
    assert (start.start, stop.end) == (within[0], within[1] - 1)
    assert start.end <= loop.start < loop.end <= stop.start
    meets = [(loop.start, frame) for frame in (start.end, loop.end, stop.start) if frame != loop.start]
    for seam in measure_loops(motion, body, meets, LoopSettings()):
        assert seam.quality in SUGGESTED
    downs = [
        {event.name for event in foot_events(contacts, loop=False) if abs(event.frame - frame) <= 4}
        for frame in (start.end, loop.start, loop.end, stop.start)
    ]
    assert any(f"{foot}.down" in set.intersection(*downs) for foot in contacts.feet)


@pytest.mark.parametrize("cycles", [1, 2])
def test_the_loop_holds_the_cycles_that_are_asked_for(cycles):
    *_, contacts, _, parts = parts_of("walk", settings=LoopSettings(cycles=cycles))
    loop = next(one for one in parts if one.part == "loop")
    for foot in contacts.feet:
        downs = [one.frame for one in foot_events(contacts, loop=False) if one.name == f"{foot}.down"]
        inside = sum(loop.start - 4 <= frame < loop.end - 4 for frame in downs)
        assert inside == cycles


@pytest.mark.parametrize("turn", [90.0, -90.0])
def test_a_turn_between_straight_stretches_has_the_phase_of_the_loop_at_both_ends(turn):
    motion, body, _, _, parts = parts_of("walk", 9, 1, turn)
    loop, one = (next(part for part in parts if part.part == word) for word in ("loop", "turn"))
    assert np.sign(one.turn_deg) == np.sign(turn)
    facing = np.degrees(heading(motion, body))
    assert one.turn_deg == pytest.approx(facing[one.end] - facing[one.start], abs=6)
    assert abs(one.turn_deg - turn) < 25  # the walk itself turns by up to 7 degrees in each cycle
    seams = measure_loops(
        motion, body, [(loop.start, frame) for frame in (one.start, one.end)], LoopSettings()
    )
    assert all(seam.quality in SUGGESTED for seam in seams)
    assert abs(facing[loop.end] - facing[loop.start]) < 15, "the loop goes straight"


def test_a_gait_in_a_curve_has_no_turn():
    *_, parts = parts_of("walker/turn_left0", 6)
    assert [one.part for one in parts] == ["start", "loop", "stop"]


def test_a_range_in_full_motion_has_neither_start_nor_stop():
    motion, body, contacts, (first, stop), parts = parts_of("walk")
    inner = (parts[0].end - 10, parts[-1].start + 10)
    assert [one.part for one in find_gait_parts(motion, body, contacts, inner)] == ["loop"]
    late = find_gait_parts(motion, body, contacts, (inner[0], stop))
    assert [one.part for one in late] == ["loop", "stop"]
    early = find_gait_parts(motion, body, contacts, (first, inner[1]))
    assert [one.part for one in early] == ["start", "loop"]


def test_a_range_without_two_steps_of_a_foot_is_refused():
    motion, body, contacts, (first, _), parts = parts_of("walk")
    with pytest.raises(InputError, match="do not come down often enough"):
        find_gait_parts(motion, body, contacts, (first, parts[0].end + 20))


def test_nothing_is_changed():
    motion, body, contacts, within, parts = parts_of("walk")
    before = motion.rotations.copy(), contacts.heel.copy()
    assert find_gait_parts(motion, body, contacts, within) == parts
    assert isinstance(parts[0], GaitPart)
    assert np.array_equal(before[0], motion.rotations)
    assert np.array_equal(before[1], contacts.heel)


def test_the_nearest_pose_is_that_of_a_plain_search():
    """Each frame measured by itself, place and heading aside."""
    motion, body = start_and_stop("walk")
    settings = LoopSettings()
    best, gap = nearest_pose(motion, body, 330, 20, motion, 250, settings)
    slow = [nearest_pose(motion, body, frame, 0, motion, 250, settings)[1] for frame in range(310, 351)]
    order = np.argsort([one.cm + 0.05 * one.cm_s for one in slow])
    assert abs(best - (310 + order[0])) <= 2
    assert gap.cm < 3
    assert nearest_pose(motion, body, 250, 5, motion, 250, settings)[1].cm < 1e-9


def test_the_start_ends_at_the_first_step_that_fits():
    """The loop lies where it repeats best; the start ends before it, the stop begins after it."""
    away = np.zeros((8, 8))
    for loop in (0, 1, 2, 4, 5, 6):  # one cycle alone comes back: that from step 3 to step 4
        away[loop + 1, loop] = 0.05
    away[0, 3] = 0.03  # too far, for a cycle's worth
    steps = _Steps(np.arange(8) * 60, np.tile(np.arange(8)[:, None] * 60, (1, 8)), away, np.zeros(7), 1)
    best = min(steps.plans((True, True)), key=lambda plan: plan.cost)
    assert (best.loop, best.out, best.into) == (3, 1, 7)
    best = min(steps.plans((False, False)), key=lambda plan: plan.cost)
    assert (best.loop, best.out, best.into) == (3, 3, 4)
    parts = best.parts(10, 460, (False, False), 1.0)
    assert parts == (GaitPart("loop", 180, 240),)
