"""Long work in a thread, asked by hand as `modal` asks it: there is no window here to send events."""

from __future__ import annotations

import threading
import time
from types import SimpleNamespace

import bpy
import pytest

from takemill_addon.background import Job

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
