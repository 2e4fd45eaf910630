"""Work in steps, asked by hand as `modal` asks it: there is no window here to send events."""

from __future__ import annotations

import sys
import threading
import time
from types import SimpleNamespace

import bpy
import pytest

from takemill.base.errors import TakemillError
from takemill_addon.bridge.scene import actions, background
from takemill_addon.bridge.scene.background import Job, slice_s
from takemill_addon.bridge.scene.steps import DRAW, apart, apart_told, apart_whole, drain, stepwise, within
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
TIMER, MOUSE, ESC = (SimpleNamespace(type=word) for word in ("TIMER", "MOUSEMOVE", "ESC"))


@pytest.fixture(autouse=True)
def _nothing_is_left():
    before = list(bpy.app.handlers.undo_pre), list(bpy.app.handlers.load_pre), sys.getswitchinterval()
    yield
    assert background.refusal() == ""
    assert (
        list(bpy.app.handlers.undo_pre),
        list(bpy.app.handlers.load_pre),
        sys.getswitchinterval(),
    ) == before


def waited(job: Job) -> None:
    """Ask until the work has ended; ten seconds at most."""
    end = time.monotonic() + 10
    while job.runs(bpy.context, TIMER):
        assert time.monotonic() < end
        time.sleep(0.001)


def test_steps_end_with_what_they_return_in_blenders_own_thread():
    def steps():
        yield 0.5
        return f"in {threading.current_thread().name}"

    job = Job(bpy.context, "Counting", steps())
    assert job.runs(bpy.context, MOUSE)  # only a timer's event takes it on
    waited(job)
    assert job.message == f"in {threading.current_thread().name}"


def test_a_slice_ends_long_before_its_work_does():
    done = []

    def steps():
        for step in range(200):
            time.sleep(0.002)
            done.append(step)
            yield step / 200
        return ""

    job = Job(bpy.context, "Counting", steps())
    assert job.runs(bpy.context, TIMER)
    assert 0 < len(done) < 100  # 0.03 s of 0.4
    job.stop()
    job.end(bpy.context)


def test_blender_draws_before_what_cannot_be_divided():
    done = []

    def steps():
        done.append("short")
        yield 0.5
        yield DRAW
        done.append("long")
        yield 0.9
        return ""

    job = Job(bpy.context, "Counting", within(steps(), 0.0, 0.5))
    assert job.runs(bpy.context, TIMER)
    assert done == ["short"]
    assert job.runs(bpy.context, TIMER) is False
    assert done == ["short", "long"]
    told = []
    assert drain(steps(), told.append) == ""
    assert told == [0.5, 0.9]


def test_slices_leave_100_ms_between_redraws_and_a_fifth_of_slower_ones_to_the_work():
    for redraw_s in (0.0, 0.01, 0.03, 0.05):
        assert redraw_s + slice_s(redraw_s) <= 0.1
        assert slice_s(redraw_s) >= 0.03
    for redraw_s in (0.1, 0.2, 1.0, 3.0):
        assert 0.2 <= slice_s(redraw_s) / (redraw_s + slice_s(redraw_s)) <= 1 / 3


def test_work_on_arrays_runs_beside_blender():
    go, found = threading.Event(), []

    def work() -> str:
        go.wait(10)
        found.append(threading.current_thread())
        return "found"

    def steps():
        return (yield from apart(work))

    job = Job(bpy.context, "Counting", steps())
    assert job.runs(bpy.context, TIMER)
    go.set()
    waited(job)
    assert job.message == "found"
    assert found != [threading.current_thread()]


def test_what_a_thread_raises_is_raised_where_it_is_waited_for():
    def work() -> None:
        raise ValueError("no such thing")

    def steps():
        yield from apart(work)
        return ""

    with pytest.raises(ValueError, match="no such thing"):
        waited(Job(bpy.context, "Counting", steps()))
    with pytest.raises(ValueError, match="no such thing"):
        drain(steps())


def test_a_thread_that_tells_nothing_ends_soon_after_esc():
    ended, started = threading.Event(), threading.Event()

    def work() -> None:
        started.set()
        try:
            while True:
                time.sleep(0.001)
        finally:
            ended.set()

    def steps():
        yield from apart(work)
        return ""

    job = Job(bpy.context, "Counting", steps())
    job.runs(bpy.context, TIMER)
    started.wait(10)
    assert not job.runs(bpy.context, ESC)
    assert job.stopped
    assert ended.wait(10)


def test_esc_takes_new_actions_away_and_assigns_the_old_one():
    armature = bpy.data.objects.new("Rig", None)
    bpy.context.collection.objects.link(armature)
    old, slot, _ = actions.new_action(armature, "Old")
    actions.assign(armature, old, slot)
    closed = []

    def steps():
        new, its_slot, _ = actions.new_action(armature, "New")
        actions.assign(armature, new, its_slot)
        try:
            while True:
                yield None
        finally:
            closed.append(new.name)

    job = Job(bpy.context, "Counting", steps())
    assert job.runs(bpy.context, TIMER)
    assert not job.runs(bpy.context, ESC)
    assert closed == ["New"]
    assert "New" not in bpy.data.actions
    assert (armature.animation_data.action, armature.animation_data.action_slot) == (old, slot)


def test_what_is_on_its_way_to_the_disk_is_not_stopped():
    go = threading.Event()

    def steps():
        yield from apart_whole(go.wait, 10)
        return "written"

    job = Job(bpy.context, "Counting", steps())
    job.runs(bpy.context, TIMER)
    assert job.runs(bpy.context, ESC)
    go.set()
    waited(job)
    assert job.message == "written"
    assert not job.stopped


@pytest.mark.parametrize("handlers", ["undo_pre", "load_pre"])
def test_an_undo_in_another_window_ends_the_work_before_it_takes_its_data(handlers):
    closed = []

    def steps():
        try:
            while True:
                yield None
        finally:
            closed.append(True)

    job = Job(bpy.context, "Counting", steps())
    job.runs(bpy.context, TIMER)
    (ours,) = [one for one in getattr(bpy.app.handlers, handlers) if getattr(one, "__self__", None) is job]
    ours(None)
    assert closed == [True]
    assert not job.runs(bpy.context, TIMER)
    assert job.stopped


def test_shares_of_a_part_lie_within_its_part_of_the_whole():
    def part():
        yield 0.0
        yield from apart_told(lambda tell: tell(0.5))
        yield 1.0
        return 7

    told: list[float] = []
    assert drain(within(part(), 0.5, 1.0), told.append) == 7
    assert told == [0.5, 1.0]


class Counter:
    @stepwise
    def count(self, to: int):
        """Counts."""
        for step in range(to):
            yield step / to
        return to


def test_a_function_in_steps_runs_through_when_it_is_called():
    assert Counter().count(3) == 3
    assert list(Counter().count.steps(2)) == [0.0, 0.5]
    assert Counter.count.__doc__ == "Counts."


class Counting(stage.Stage):
    """A stage that counts to ten, or fails on the way."""

    bl_label = "Count"
    needs = ()

    def __init__(self, problem: TakemillError | None = None) -> None:
        self.problem, self.told = problem, []

    @classmethod
    def poll_message_set(cls, text: str) -> None:
        cls.refused = text

    def report(self, kind: set[str], text: str) -> None:
        self.told.append((*kind, text))

    def run(self, _):
        self.made = bpy.data.actions.new("Counted").name
        for step in range(10):
            time.sleep(0.005)
            yield step / 10
        if self.problem:
            raise self.problem
        return "counted"


def ended(one: Counting, *first) -> set[str]:
    """Its answer to the first event that it does not wait on."""
    one._job = Job(bpy.context, one.bl_label, one.run(bpy.context))
    for event in first:
        answer = one.modal(bpy.context, event)
        if answer != {"RUNNING_MODAL"}:
            return answer
    while (answer := one.modal(bpy.context, TIMER)) == {"RUNNING_MODAL"}:
        time.sleep(0.001)
    return answer


def test_a_stage_in_steps_says_what_it_did():
    one = Counting()
    assert ended(one, MOUSE) == {"FINISHED"}
    assert one.told == [("INFO", "counted")]
    assert one.made in bpy.data.actions


def test_a_stopped_stage_changes_nothing_and_says_so():
    one = Counting()
    assert ended(one, TIMER, ESC) == {"CANCELLED"}
    assert one.told == [("INFO", "Count stopped; nothing was changed")]
    assert one.made not in bpy.data.actions


@pytest.mark.parametrize("how", [ended, lambda one: one.execute(bpy.context)])
def test_what_a_user_can_mend_is_reported_and_leaves_nothing_behind(how):
    one = Counting(TakemillError("no such clip"))
    assert how(one) == {"CANCELLED"}
    assert one.told == [("ERROR", "no such clip")]
    assert one.made not in bpy.data.actions


def test_a_second_start_is_refused_with_the_reason():
    def steps():
        yield None
        return ""

    job = Job(bpy.context, "Repair Take", steps())
    assert not Counting.poll(bpy.context)
    assert Counting.refused == "Repair Take is at work; wait, or press Esc to stop it"
    job.stop()
    job.end(bpy.context)
    assert Counting.poll(bpy.context)


def test_in_the_background_an_operator_runs_straight_through():
    one = Counting()
    assert one.invoke(bpy.context, MOUSE) == {"FINISHED"}
    assert one.told == [("INFO", "counted")]
