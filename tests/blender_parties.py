"""Blender's own importers, in processes of their own."""

from __future__ import annotations

import json
import subprocess
import sys
from collections.abc import Sequence
from pathlib import Path


def play_fbx(source: Path, joints: Sequence[str], frames: int, folder: Path) -> dict:
    """Where its importer puts the joints, vertices and shapes of an FBX on so many frames (`play_fbx.py`).

    `folder` is for files on the way.
    """
    request, answer = folder / "request.json", folder / "answer.json"
    answer.unlink(missing_ok=True)
    request.write_text(json.dumps({"joints": joints, "frames": frames}))
    script = Path(__file__).parent / "exchange/play_fbx.py"
    command = [sys.executable, str(script), str(source), str(request), str(answer)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert answer.exists(), done.stdout + done.stderr
    return json.loads(answer.read_text())
