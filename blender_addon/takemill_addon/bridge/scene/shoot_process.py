"""A shoot built by a process of its own, as the shell builds it, while Blender goes on."""

from __future__ import annotations

import json
import os
import queue
import subprocess
import sys
import tempfile
import threading
from pathlib import Path
from typing import Any

import numpy as np

import takemill
from takemill.base.errors import InputError

from .steps import Steps, apart

_WAIT_S = 0.2  # for a line at a time: Esc is heard in between


def build_apart(shoot: Path, out: Path) -> Steps[dict[str, Any]]:
    """What `takemill build --json` says at its end; where the steps are closed, the build ends with them.

    Raises:
        InputError: the shoot cannot be built as it is.
    """
    command = [sys.executable, "-m", "takemill", "build", str(shoot), "--out", str(out), "--json"]
    with tempfile.TemporaryFile() as problems:
        process = subprocess.Popen(
            command, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=problems, env=_environment()
        )
        try:
            said = yield from _listen(process)
            code = process.wait()
            problems.seek(0)
            text = problems.read().decode("utf-8", "replace").strip()
        finally:
            process.kill()  # its workers end with it; what is whole is kept
            process.wait()
    if said.get("event") != "built":
        lines = text.splitlines() or [f"the build ended with exit code {code}"]
        raise InputError(lines[-1].removeprefix("takemill: "))
    return said


def _listen(process: subprocess.Popen[bytes]) -> Steps[dict[str, Any]]:
    """The last line of a process that writes JSON lines; yields the share that is done."""
    lines: queue.Queue[bytes] = queue.Queue()

    def read() -> None:
        assert process.stdout is not None
        with process.stdout as stream:
            for line in stream:
                lines.put(line)
        lines.put(b"")

    threading.Thread(target=read, daemon=True).start()
    said: dict[str, Any] = {}
    while True:
        try:
            line = yield from apart(lines.get, timeout=_WAIT_S)
        except queue.Empty:
            continue
        if not line:
            return said
        said = json.loads(line)
        if said.get("count"):
            yield said["number"] / said["count"]


def _environment() -> dict[str, str]:
    """Where a Python of its own finds the engine and numpy, and nothing else of Blender's."""
    homes = dict.fromkeys(str(Path(one.__file__).parents[1]) for one in (takemill, np))
    return {**os.environ, "PYTHONPATH": os.pathsep.join(homes), "PYTHONIOENCODING": "utf-8"}
