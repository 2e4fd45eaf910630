"""Long work in a thread, asked by hand as `modal` asks it: there is no window here to send events."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace

import bpy
import pytest

from takemill.base.errors import TakemillError
from takemill_addon.bridge.background import Job, LongStage

pytestmark = pytest.mark.usefixtures("addon")
TIMER, MOUSE = SimpleNamespace(type="TIMER"), SimpleNamespace(type="MOUSEMOVE")


def waited(job: Job) -> None:
    """Ask until the work has ended; ten seconds at most."""
    end = time.monotonic() + 10
    while job.runs(bpy.context, TIMER):
        assert time.monotonic() < end
        time.sleep(0.01)


def test_work_runs_beside_blender_and_ends_by_itself():
    go, found = threading.Event(), []

    def work(progress) -> None:
        progress(0.5)
        go.wait(10)
        found.append(threading.current_thread())

    job = Job(bpy.context, "Counting", work)
    assert job.runs(bpy.context, TIMER)
    go.set()
    assert job.runs(bpy.context, MOUSE)  # only a timer's event ends it, so that nothing is done twice
    waited(job)
    assert found != [threading.current_thread()]
    assert len(found) == 1
    assert not job.stopped


def test_stopped_work_ends_at_its_next_word():
    told = []

    def work(progress) -> None:
        for step in range(1000):
            told.append(step)
            progress(step / 1000)
            time.sleep(0.01)

    job = Job(bpy.context, "Counting", work)
    job.stop()
    waited(job)
    assert job.stopped
    assert len(told) < 1000


def test_what_the_work_raises_is_raised_where_it_is_waited_for():
    def work(_) -> None:
        raise ValueError("no such thing")

    job = Job(bpy.context, "Counting", work)
    with pytest.raises(ValueError, match="no such thing"):
        waited(job)


class Counting(LongStage):
    """A stage that counts to ten, or fails on the way."""

    title = "Counting"

    def __init__(self, problem: TakemillError | None = None) -> None:
        self.problem, self.told, self.done = problem, [], []

    def report(self, kind: set[str], text: str) -> None:
        self.told.append((*kind, text))

    def work(self, load, progress) -> None:
        for step in range(10):
            progress(step / 10)
            time.sleep(0.02)
            load.append(step)
        if self.problem:
            raise self.problem

    def finish(self, _, load) -> str:
        self.done.append(threading.current_thread())
        return f"counted {len(load)}"


def ended(stage: Counting, *first) -> set[str]:
    """Its answer to the first event that it does not wait on."""
    stage._load = []
    stage._job = Job(bpy.context, stage.title, lambda progress: stage.work(stage._load, progress))
    for event in first:
        assert stage.modal(bpy.context, event) == {"RUNNING_MODAL"}
    while (answer := stage.modal(bpy.context, TIMER)) == {"RUNNING_MODAL"}:
        time.sleep(0.01)
    return answer


def test_a_long_stage_writes_when_its_work_is_done_and_in_blenders_own_thread():
    stage = Counting()
    assert ended(stage, MOUSE) == {"FINISHED"}
    assert stage.told == [("INFO", "counted 10")]
    assert stage.done == [threading.current_thread()]


def test_esc_stops_a_long_stage_and_nothing_is_written():
    stage = Counting()
    assert ended(stage, SimpleNamespace(type="ESC")) == {"CANCELLED"}
    assert stage.told == [("INFO", "Stopped; nothing was changed")]
    assert stage.done == []


def test_what_a_user_can_mend_is_reported_by_a_long_stage():
    stage = Counting(TakemillError("no such clip"))
    assert ended(stage) == {"CANCELLED"}
    assert stage.told == [("ERROR", "no such clip")]
    assert stage.done == []
