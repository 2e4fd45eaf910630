"""The end of a test run that had Blender in its process."""

from __future__ import annotations

import os
import sys

import pytest

_status = pytest.StashKey[int]()


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
