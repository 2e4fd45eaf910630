"""The Godot project of docs/engines.md, written out of the page word for word, and where its walk goes."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from pathlib import Path

import numpy as np

from takemill.files.glb_read import GlbScene

ROOT = Path(__file__).parents[2]
FRAMES = 60  # per second
CYCLES = 10
IMPORTED = 'load("res://marsh_ferry.glb").instantiate()'

# Connected after the page's own step, so that it sees the body where that has put it.
_WATCH = """extends Node
var said := []

func _ready() -> void:
    begin.call_deferred()

func begin() -> void:
    get_parent().player.mixer_applied.connect(step)

func step() -> void:
    var place: Transform3D = get_parent().body.transform
    var turn := atan2(place.basis.z.x, place.basis.z.z)
    said.append([get_parent().player.current_animation_position, place.origin.x, place.origin.y, place.origin.z, turn])
    if said.size() == STEPS:
        FileAccess.open("answer.json", FileAccess.WRITE).store_string(JSON.stringify(said, "", true, true))
        get_tree().quit()
"""
SCENE = """[gd_scene load_steps=3 format=3]
[ext_resource type="Script" path="res://main.gd" id="1"]
[ext_resource type="Script" path="res://watch.gd" id="2"]
[node name="Main" type="Node3D"]
script = ExtResource("1")
[node name="Watch" type="Node" parent="."]
script = ExtResource("2")
"""


def print_guide(godot: list[str], project: Path, folder: Path) -> bool:
    """A line for each way of loading that the page shows; whether one is more than a millimetre off."""
    page = (ROOT / "docs" / "engines.md").read_text(encoding="utf-8")
    settings, script = (_block(page, kind) for kind in ("ini", "gdscript"))
    imported = re.sub(r"TakemillSet\.load_scene\(.*?\)", IMPORTED, script, count=1)
    assert IMPORTED in script.replace("# of an import: ", "")
    off = False
    for name, text in (("at run time", script), ("in the editor", imported)):
        place = project / name.replace(" ", "_")
        worst_mm, cycles, steps = _walked(godot, place, folder, settings, text)
        print(
            f"the page's script, loaded {name}, as it is written: {steps} frames, {cycles:.2f} cycles of the walk; "
            f"at most {worst_mm:.3f} mm from where clips.json and the file say"
        )
        off |= not worst_mm <= 1.0 or cycles < CYCLES
    return off


def _block(page: str, kind: str) -> str:
    return re.search(rf"```{kind}\n(.*?)```", page, re.DOTALL).group(1)  # type: ignore[union-attr]


def _walked(
    godot: list[str], place: Path, folder: Path, settings: str, script: str
) -> tuple[float, float, int]:
    """Millimetres off at worst, cycles played, and frames."""
    clip = next(c for c in json.loads((folder / "clips.json").read_bytes())["clips"] if c["name"] == "walk")
    steps = int(np.ceil((CYCLES + 0.05) * clip["duration_s"] * FRAMES))
    place.mkdir(parents=True)
    for file in ("takemill_set.gd", "takemill_import.gd"):
        shutil.copy(ROOT / "engines" / "godot" / file, place)
    shutil.copy(folder / clip["file"], place)
    head = 'config_version=5\n[application]\nconfig/name="page"\nrun/main_scene="res://main.tscn"\n'
    for file, text in (
        ("project.godot", head + settings),
        ("main.gd", script),
        ("watch.gd", _WATCH.replace("STEPS", str(steps))),
        ("main.tscn", SCENE),
    ):
        (place / file).write_text(text)
    for run in (["--import"], ["--fixed-fps", str(FRAMES), "--quit-after", str(steps + 100)]):
        command = [*godot, "--path", ".", *run]
        done = subprocess.run(command, cwd=place, capture_output=True, text=True, timeout=300)
        text = done.stdout + done.stderr
        if done.returncode or "SCRIPT ERROR" in text or "Parse Error" in text:
            raise SystemExit(f"the page's script: {text}")
    said = np.array(json.loads((place / "answer.json").read_bytes()))
    times = said[:, 0]
    cycles = np.concatenate([[0], np.cumsum(np.diff(times) < 0)])
    expected = _expected((folder / clip["file"]).read_bytes(), clip, times, cycles)
    worst = float(np.linalg.norm(said[:, 1:4] - expected, axis=1).max())
    return 1000 * worst, float(cycles[-1] + times[-1] / clip["duration_s"]), len(said)


def _expected(glb: bytes, clip: dict, times: np.ndarray, cycles: np.ndarray) -> np.ndarray:
    """(T, 3) of a body that the root joint carries, cycle after cycle."""
    scene = GlbScene(glb, clip["file"])
    root = next(joint for joint in scene.joints if scene.names[joint] == clip["root_motion"]["joint"])
    back = np.linalg.inv(scene.worlds(clip["name"], np.zeros(1))[0, root])
    inside = scene.worlds(clip["name"], times)[:, root] @ back
    turn = np.radians(clip["root_motion"]["turn_deg"])
    whole = np.eye(4)
    whole[0, [0, 2]] = whole[2, [2, 0]] = np.cos(turn), np.sin(turn)
    whole[2, 0] *= -1
    whole[:3, 3] = clip["root_motion"]["offset_m"]
    powers = np.stack([np.linalg.matrix_power(whole, int(cycle)) for cycle in range(int(cycles[-1]) + 1)])
    return (powers[cycles.astype(int)] @ inside)[:, :3, 3]
