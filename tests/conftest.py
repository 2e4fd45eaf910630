"""What runs share: tests, one thread of OpenBLAS, no deadlines, an end where Blender was in the process."""

from __future__ import annotations

import os
import sys

import pytest
from hypothesis import settings

from shares import is_in_share

# Threads of OpenBLAS wait for each other longer than they work: matrices here are small, and other tests have
# the other processors. Before numpy is imported; test_reproducible.py packs with one and with four.
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

# Hypothesis counts milliseconds unless it is told not to; with CI set, its own profile is the parent of this.
settings.register_profile("no clock", settings.default, deadline=None)
settings.load_profile("no clock")

_status = pytest.StashKey[int]()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests marked `once` that are in the share of another run (TAKEMILL_SHARE)."""
    share = os.environ.get("TAKEMILL_SHARE", "1/1")
    left = [item for item in items if item.get_closest_marker("once") and not is_in_share(item.nodeid, share)]
    if left:
        config.hook.pytest_deselected(items=left)
        items[:] = [item for item in items if item not in set(left)]


def pytest_sessionfinish(session: pytest.Session, exitstatus: int) -> None:
    session.config.stash[_status] = int(exitstatus)


@pytest.hookimpl(trylast=True)
def pytest_unconfigure(config: pytest.Config) -> None:
    """Leave at once: the 4.5 module never ends its process when an add-on left a Python function registered.

    That Takemill itself leaves none is tested in a process of its own, in addon/test_registration.py.
    """
    bpy = sys.modules.get("bpy")
    if bpy is not None and bpy.app.version < (5, 0) and _status in config.stash:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(config.stash[_status])
