"""The parties in node: the Khronos glTF validator, three.js's loader, and three-vrm's spring bones.

Their versions stand in tests/exchange/package-lock.json; `npm ci --prefix tests/exchange` fetches them.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import tempfile
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from need import need

_HERE = Path(__file__).parent / "exchange"


def validator_issues(data: bytes) -> list[dict[str, Any]]:
    """Everything that the Khronos glTF validator has to say of a GLB: errors, warnings, infos, hints."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "file.glb")
        path.write_bytes(data)
        (report,) = json.loads(_run("validate.mjs", path))
    assert not report["truncated"]
    return report["messages"]


def three_positions(
    data: bytes, times_s: Mapping[str, Sequence[float]], clips: Sequence[Path] = ()
) -> dict[str, np.ndarray]:
    """World positions (T, N, 3) of all nodes in glTF's axes, per clip, as three.js plays a GLB.

    `clips` are files whose animations are played on the GLB's nodes.
    """
    with tempfile.TemporaryDirectory() as folder:
        path, request = Path(folder, "file.glb"), Path(folder, "request.json")
        path.write_bytes(data)
        request.write_text(json.dumps({clip: list(map(float, times)) for clip, times in times_s.items()}))
        answer = json.loads(_run("play_three.mjs", path, request, *clips))
    return {clip: np.array(positions) for clip, positions in answer.items()}


def three_weights(data: bytes, times_s: Mapping[str, Sequence[float]]) -> dict[str, list[dict[str, list]]]:
    """Weights of shapes by node, per clip and time, as three.js plays a GLB."""
    with tempfile.TemporaryDirectory() as folder:
        path, request = Path(folder, "file.glb"), Path(folder, "request.json")
        path.write_bytes(data)
        request.write_text(json.dumps({clip: list(map(float, times)) for clip, times in times_s.items()}))
        return json.loads(_run("weights_three.mjs", path, request))


def three_root_motion(
    glb: Path, helper: Path, cycles: int, step_s: float, clips: Sequence[Path] = ()
) -> dict[str, Any]:
    """Where clips of a GLB, and of other files, take the character in three.js, by a helper of ours."""
    with tempfile.TemporaryDirectory() as folder:
        for file in (helper, _HERE / "load_three.mjs", _HERE / "root_motion_three.mjs"):
            shutil.copy(file, folder)
        Path(folder, "node_modules").symlink_to(_HERE / "node_modules")  # for what the helper imports
        return json.loads(_run(str(Path(folder, "root_motion_three.mjs")), glb, cycles, step_s, *clips))


def three_chain(glb: Path, helper: Path, step_s: float, clips: Sequence[str]) -> dict[str, Any]:
    """Where the joints of clips are that three.js plays one after the other, by a helper of ours."""
    with tempfile.TemporaryDirectory() as folder:
        for file in (helper, _HERE / "load_three.mjs", _HERE / "chain_three.mjs"):
            shutil.copy(file, folder)
        Path(folder, "node_modules").symlink_to(_HERE / "node_modules")
        return json.loads(_run(str(Path(folder, "chain_three.mjs")), glb, step_s, *clips))


def three_springs(request: Mapping[str, Any]) -> np.ndarray:
    """Where three-vrm takes the ends of spring bones (T, N, 3), glTF's axes: see springs_three.mjs."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "request.json")
        path.write_text(json.dumps(request))
        return np.array(json.loads(_run("springs_three.mjs", path)))


def three_spring_joints(glb: bytes) -> list[dict[str, Any]]:
    """The spring joints that three-vrm reads of a GLB's VRMC_springBone: see read_springs_three.mjs."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder, "file.glb")
        path.write_bytes(glb)
        return json.loads(_run("read_springs_three.mjs", path))


def three_page(script: str, helper: Path, folder: Path) -> Any:
    """What a module prints as JSON; the folder is its first argument."""
    with tempfile.TemporaryDirectory() as place:
        shutil.copy(helper, place)
        Path(place, "node_modules").symlink_to(_HERE / "node_modules")
        Path(place, "page.mjs").write_text(script, encoding="utf-8")
        return json.loads(_run(str(Path(place, "page.mjs")), folder))


def _run(script: str, *arguments: object) -> str:
    node = shutil.which("node")
    need(node, "node")
    need((_HERE / "node_modules").is_dir(), "the node packages: npm ci --prefix tests/exchange")
    done = subprocess.run(
        [str(node), script, *map(str, arguments)], cwd=_HERE, capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr
    return done.stdout
