"""What a Godot project makes of a whole build: libraries, events, and a blend space of the gaits' speeds.

`TAKEMILL_GODOT="godot --headless" python tests/benchmarks/engine_godot_build.py [BUILD]`; BUILD is the output of
`takemill build`. Without one, the sample take and a second one are built for two characters. The project is made
by the steps of docs/engines.md. Exit code 1 when something is off.
"""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
import tempfile
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from engine_godot import godot_command
from engine_godot_guide import SCENE

from rigs import character
from takemill.files.bvh import read_bvh
from takemill.files.glb_read import GlbScene
from takemill.shell import cli, samples

SCRIPTS = Path(__file__).parents[2] / "engines" / "godot"
LARGEST_MM = 0.05
LARGEST_SPEED_OFF = 0.03  # of a point's speed: an AnimationTree loses the step in which a cycle begins anew
LARGEST_EVENT_OFF_S = 0.02  # of an event: a frame at 60 per second, and a little
SECONDS = 10.0  # that the page's script is watched
_WATCH = """extends Node
var frames := 0
var begun := Vector3.ZERO

func _process(_delta: float) -> void:
    frames += 1
    if frames == 60:
        begun = get_parent().body.position
    if frames == 660:
        var covered: float = get_parent().body.position.distance_to(begun)
        FileAccess.open("place.txt", FileAccess.WRITE).store_string(str(covered))
        get_tree().quit()
"""
SECOND = """
naming = "again_{kind}_{n:02}"
[[clip]]
from = 2.0
to = 6.0
loop = true
root_motion = "in_place"
"""


def main(arguments: list[str]) -> int:
    """Print what was found."""
    godot = godot_command()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as place:
        folder = Path(place)
        build = Path(arguments[0]) if arguments else _built(folder / "shoot")
        project = _project(folder / "project", build)
        _run(godot, project, "--script", "takemill_receive.gd", "--", "res://build", "res://characters")
        index = json.loads((build / "index.json").read_bytes())
        good = True
        for name in index["characters"]:
            _run(godot, project, "--script", "check_build.gd", "--", f"res://characters/{name}.scn")
            good &= _walks(godot, project, name)
            good &= _judged(name, build, json.loads((project / "answer.json").read_bytes()))
        return int(not good)


def _built(folder: Path) -> Path:
    for name in ("takes", "characters"):
        (folder / name).mkdir(parents=True)
    shutil.copy(samples.path("marsh_take.bvh"), folder / "takes/ferry.bvh")
    shutil.copy(samples.path("marsh_take.bvh"), folder / "takes/again.bvh")
    recipe = samples.path("marsh_set.toml").read_text(encoding="utf-8")
    (folder / "takes/ferry.toml").write_text(recipe, encoding="utf-8")
    (folder / "takes/again.toml").write_text(SECOND)
    skeleton = read_bvh(folder / "takes/ferry.bvh")[0].skeleton
    for name, size in (("short", 0.9), ("tall", 1.2)):
        rest, tips = size * skeleton.rest_translation, size * skeleton.tip_offsets
        glb = character(replace(skeleton, rest_translation=rest, tip_offsets=tips))
        (folder / f"characters/{name}.glb").write_bytes(glb)
    (folder / "shoot.toml").write_text('takes = ["takes/*.bvh"]\ncharacters = ["characters/*.glb"]\n')
    code = cli.main(["build", str(folder / "shoot.toml"), "--out", str(folder / "out"), "--workers", "1"])
    assert code == 0
    return folder / "out"


def _project(project: Path, build: Path) -> Path:
    """The page's steps: the scripts and the build in an empty project."""
    project.mkdir()
    (project / "project.godot").write_text('config_version=5\n[application]\nconfig/name="shoot"\n')
    for script in SCRIPTS.glob("*.gd"):
        shutil.copy(script, project)
    shutil.copytree(build, project / "build", ignore=shutil.ignore_patterns(".takemill"))
    (project / "build/.gdignore").touch()
    return project


def _run(godot: list[str], project: Path, *more: str) -> None:
    done = subprocess.run(
        [*godot, "--path", ".", *more], cwd=project, capture_output=True, text=True, timeout=600
    )
    text = done.stdout + done.stderr
    if done.returncode or "ERROR" in text:
        raise SystemExit(f"{more[1]}: {text}")


def _walks(godot: list[str], project: Path, name: str) -> bool:
    """Whether the page's script, word for word but for the character's name, walks as fast as it says."""
    page = (SCRIPTS.parents[1] / "docs/engines.md").read_text(encoding="utf-8")
    script = next(
        one for one in re.findall(r"```gdscript\n(.*?)```", page, re.DOTALL) if "takemill_build" in one
    )
    (project / "main.gd").write_text(script.replace("courier.scn", f"{name}.scn"))
    (project / "watch.gd").write_text(_WATCH)
    (project / "main.tscn").write_text(SCENE)
    (project / "place.txt").unlink(missing_ok=True)
    _run(godot, project, "res://main.tscn", "--fixed-fps", "60", "--quit-after", "700")
    covered = float((project / "place.txt").read_text())
    speed = float(re.search(r"set_speed\(gaits, ([\d.]+)\)", script)[1])  # type: ignore[index]
    print(f"{name}: the page's script walks {covered / SECONDS:.3f} m/s, asked for {speed:g}")
    return abs(covered / SECONDS / speed - 1) <= LARGEST_SPEED_OFF


def _judged(name: str, build: Path, answer: dict[str, Any]) -> bool:
    """Libraries as the index has sets, joints and events as the files have them, speeds as the clips'."""
    index = json.loads((build / "index.json").read_bytes())
    sets = {
        Path(one["folder"]).name: {clip["name"] for clip in one["clips"]}
        for one in index["sets"]
        if one["folder"].split("/")[0] == name
    }
    libraries = {key: set(clips) for key, clips in answer["libraries"].items() if key}
    clips = {clip["name"]: clip for one in answer["facts"] for clip in [one]}
    events = [
        abs(float(called) - event["time_s"])
        for one, found in answer["events"].items()
        for called, event in zip(found, clips[one]["events"], strict=True)
    ]
    off_mm = [
        1000 * _joints_off(build / one["folder"] / clip["file"], clip["name"], answer["joints"][clip["name"]])
        for one in index["sets"]
        if one["folder"].split("/")[0] == name
        for clip in one["clips"]
    ]
    speeds = [abs(one["covered_m"] / one["seconds"] / one["speed_m_s"] - 1) for one in answer["speeds"]]
    print(
        f"{name}: {len(libraries)} libraries of {sum(map(len, libraries.values()))} clips"
        f"{'' if libraries == sets else ' (OTHERS THAN THE INDEX)'}; joints at most {max(off_mm):.4f} mm off; {len(events)} events called, at most "
        f"{max(events, default=0.0):.4f} s off; {len(speeds)} speeds of the blend space, at most "
        f"{100 * max(speeds, default=0.0):.1f} % off; feet in a blend of two gaits come down "
        f"{answer['apart_s']:.3f} s apart"
    )
    return (
        libraries == sets
        and max(off_mm) <= LARGEST_MM
        and max(events, default=0.0) <= LARGEST_EVENT_OFF_S
        and bool(speeds)
        and float(np.max(speeds)) <= LARGEST_SPEED_OFF
        and 0 <= answer["apart_s"] <= LARGEST_EVENT_OFF_S
    )


def _joints_off(glb: Path, clip: str, found: dict[str, list[float]]) -> float:
    """Metres between joints in the middle of a clip and where its file has them, at most."""
    scene = GlbScene(glb.read_bytes(), glb.name)
    places = scene.worlds(clip, np.array([scene.duration_s(clip) / 2]))[0, :, :3, 3]
    return max(float(np.linalg.norm(places[joint] - found[scene.names[joint]])) for joint in scene.joints)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
