"""What Godot 4 makes of a set: where joints are, what shapes play, which clips loop, where ten cycles of root motion end.

`TAKEMILL_GODOT="godot --headless" python tests/benchmarks/engine_godot.py [SET]`; SET is the folder of a set
in one file. Without one, the sample take is packed, which also tells the distance from the dense clips.
Each way of loading gets a row; then the script of docs/engines.md is run word for word. Exit code 1 when one of those that docs/engines.md recommends is off.
"""

from __future__ import annotations

import json
import os
import shlex
import shutil
import subprocess
import sys
import tempfile
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
from engine_godot_guide import print_guide

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.files.glb import skeleton_glb
from takemill.files.glb_read import GlbScene
from takemill.pipeline.prepare_take import prepare_take
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import Recipe, read_recipe
from takemill.sets import packing
from takemill.sets.clip_set import write_clip_set
from takemill.shell import samples
from takemill.shell.console import any_table

SCRIPTS = Path(__file__).parents[2] / "engines" / "godot"
CYCLES = 10
STEP_S = 0.0137  # aligned with no frame
POSES = 60  # of each clip
LARGEST_MM = 0.05
LARGEST_ROOT_MOTION_MM = 1.0
LARGEST_WEIGHT = 1e-3

# What the editor writes where a user unticks the optimizer of the AnimationPlayer.
_NO_OPTIMIZER = '{"nodes": {"PATH:AnimationPlayer": {"optimizer/enabled": false}}}'


@dataclass(frozen=True)
class Way:
    """A way to load a set; `promised`: the guide says that it is exact."""

    name: str
    plain: bool = False
    imported: bool = False
    defaults: dict[str, str] = field(default_factory=dict)
    promised: bool = False


WAYS = (
    Way("run-time loader alone", plain=True),
    Way("TakemillSet.load_scene", promised=True),
    Way("editor import, as it comes", imported=True),
    Way(
        "editor import, optimizer off, 30 fps",
        imported=True,
        defaults={"animation/fps": "30", "_subresources": _NO_OPTIMIZER},
    ),
    Way(
        "editor import, takemill_import.gd",
        imported=True,
        defaults={"import_script/path": '"res://takemill_import.gd"'},
        promised=True,
    ),
)


def godot_command() -> list[str]:
    """The command that runs Godot without a window; it ends here where none is named."""
    command = shlex.split(os.environ.get("TAKEMILL_GODOT", ""))
    if not command:
        sys.exit('set TAKEMILL_GODOT to the command, for example "godot --headless"')
    return command


def main(arguments: list[str]) -> int:
    """Print the table."""
    godot = godot_command()
    with tempfile.TemporaryDirectory(dir=Path.cwd()) as place:
        if arguments:
            print(f"{arguments[0]}\n")
            return _table(godot, Path(place), Path(arguments[0]), {})
        codes = []
        for title, recipe in _recipes().items():
            out = Path(place) / title.replace(" ", "_")
            motions = _packed(recipe, out / "set")
            print(f"{'' if not codes else chr(10)}the sample take, {title}\n")
            codes.append(_table(godot, out, out / "set", motions))
        print()
        first = Path(place) / next(iter(_recipes())).replace(" ", "_") / "set"
        return max(*codes, int(print_guide(godot, Path(place) / "guide", first)))


def _recipes() -> dict[str, Recipe]:
    """The sample's set at 30 fps; at rates of its clips' own; and with the clips apart from the mesh."""
    recipe = read_recipe(samples.path("marsh_set.toml"))
    rates = (30.0, 60.0, 24.0)
    mixed = tuple(replace(clip, rate=rates[k % 3]) for k, clip in enumerate(recipe.clips))
    return {
        "30 fps": recipe,
        "clips at 30, 60 and 24 fps": replace(recipe, clips=mixed),
        "clips apart from the mesh": replace(recipe, files="separate"),
    }


def _packed(recipe: Recipe, out: Path) -> dict[str, Motion]:
    motion, body, _ = packing.read_take(samples.path("marsh_take.bvh"), recipe)
    take = prepare_take("marsh_take", motion, body, recipe)
    clips = make_set(take, recipe)
    out.parent.mkdir(parents=True)
    write_clip_set(out, skeleton_glb(clips[0].motion.skeleton), recipe.name, [take], clips, recipe)
    return {clip.name: clip.motion for clip in clips}


def _table(godot: list[str], place: Path, folder: Path, motions: dict[str, Motion]) -> int:
    said = json.loads((folder / "clips.json").read_bytes())
    whole = [
        file["name"] for file in said["files"] if file["name"].endswith(".glb") and "/" not in file["name"]
    ]
    asked = _asked(said)
    rows, off = [], False
    for number, way in enumerate(WAYS):
        apart = len({clip["file"] for clip in said["clips"]}) > 1
        if apart and way.name != "TakemillSet.load_scene":
            continue
        answer = _ask(godot, place / f"project_{number}", folder, way, whole[0], said, asked)
        row, good = _judged(answer, folder, said, asked, motions)
        rows.append({"loaded by": way.name} | row)
        off |= way.promised and not good
    print(any_table(rows))
    return int(off)


def _asked(said: dict[str, Any]) -> list[list[Any]]:
    """[clip, seconds] in random order, so that what a clip leaves behind is seen in the next."""
    rng = np.random.default_rng(7)
    asked = [
        [clip["name"], float(seconds)]
        for clip in said["clips"]
        for seconds in (0.0, clip["duration_s"] * (1 - 1e-6), *rng.uniform(0, clip["duration_s"], POSES))
    ]
    return [asked[k] for k in rng.permutation(len(asked))]


def _joints(said: dict[str, Any]) -> list[str]:
    """Those of the body, those that swing, and those that play their character's own."""
    found = {*said["skeleton"]["body"].values()}
    for clip in said["clips"]:
        found.update(*(clip["springs"] or {"chains": {}})["chains"].values(), clip["own_joints"])
    return sorted(found)


def _ask(
    godot: list[str], project: Path, folder: Path, way: Way, glb: str, said: dict[str, Any], asked: list[Any]
) -> dict[str, Any]:
    """What Godot answers, from a project of its own."""
    project.mkdir()
    for script in SCRIPTS.glob("*.gd"):
        shutil.copy(script, project)
    for file in folder.rglob("*.glb"):
        (project / file.relative_to(folder)).parent.mkdir(exist_ok=True)
        shutil.copy(file, project / file.relative_to(folder))
    defaults = ",\n".join(f'"{key}": {value}' for key, value in way.defaults.items())
    (project / "project.godot").write_text(
        f'config_version=5\n[application]\nconfig/name="check"\n[importer_defaults]\nscene={{\n{defaults}\n}}\n'
    )
    request = {
        "scene": f"res://{glb}",
        "clips": sorted({f"res://{clip['file']}" for clip in said["clips"]} - {f"res://{glb}"}),
        "plain": way.plain,
        "imported": way.imported,
        "joints": _joints(said),
        "poses": asked,
        "root_motion": {c["name"]: _played_s(c) for c in said["clips"] if c["root_motion"]["joint"]},
        "step_s": STEP_S,
    }
    (project / "request.json").write_text(json.dumps(request))
    runs = [["--script", "check_set.gd", "--", "request.json", "answer.json"]]
    runs = [["--import"], *runs] if way.imported else runs
    for run in runs:
        done = subprocess.run(
            [*godot, "--path", ".", *run], cwd=project, capture_output=True, text=True, timeout=300
        )
        text = done.stdout + done.stderr
        if done.returncode or "SCRIPT ERROR" in text or "Parse Error" in text:
            raise SystemExit(f"{way.name}: {text}")
    return json.loads((project / "answer.json").read_bytes())


def _played_s(clip: dict[str, Any]) -> float:
    """Ten cycles of a loop; a one-shot is left just before its end.

    For the step in which a clip ends Godot gives no root motion.
    """
    return CYCLES * (clip["frames"] - 1) / clip["rate"] if clip["loop"] else clip["duration_s"] - 1e-5


def _judged(
    answer: dict[str, Any], folder: Path, said: dict[str, Any], asked: list[Any], motions: dict[str, Motion]
) -> tuple[dict[str, str], bool]:
    clips = {clip["name"]: clip for clip in said["clips"]}
    poses = np.array(answer["poses"])
    from_file, from_take, from_weights = [], [], [0.0]
    for name, clip in clips.items():
        mine = [k for k, (one, _) in enumerate(asked) if one == name]
        times = np.array([asked[k][1] for k in mine])
        scene = GlbScene((folder / clip["file"]).read_bytes(), clip["file"])
        nodes = [_node(scene, joint) for joint in _joints(said)]
        right = scene.worlds(name, times)[..., :3, 3][:, nodes]
        from_file.append(np.linalg.norm(poses[mine] - right, axis=-1).max())
        from_weights += _weights_off(scene, name, times, [answer["weights"][k] for k in mine])
        if name in motions:
            motion = motions[name]
            dense = motion.sampled(times * motion.rate, motion.rate).model()[1]
            dense = dense[:, [motion.skeleton.index(joint) for joint in _joints(said)]]
            dense = np.stack([dense[..., 0], dense[..., 2], -dense[..., 1]], axis=-1)
            from_take.append(np.linalg.norm(poses[mine] - dense, axis=-1).max())
    loops = sum(answer["clips"][name]["loops"] == clip["loop"] for name, clip in clips.items())
    events = sum(
        np.allclose(sorted(answer["clips"][name]["events"]), [event["time_s"] for event in clip["events"]])
        if len(answer["clips"][name]["events"]) == len(clip["events"])
        else False
        for name, clip in clips.items()
    )
    ways = {name: _root_motion_error_mm(end, clips[name]["root_motion"], clips[name]["loop"])
            for name, end in answer["root_motion"].items()}  # fmt: skip
    error, root_motion = 1000 * max(from_file), max(ways.values(), default=0.0)
    farthest = max(ways, key=lambda name: ways[name], default="")
    row = {
        "from the file mm": f"{error:.4f}",
        "meshes": str(answer["meshes"]),
        "weights off": f"{max(from_weights):.5f}" if any(clip["faces"] for clip in clips.values()) else "",
        "from the dense clips mm": f"{1000 * max(from_take):.3f}" if from_take else "",
        "loop modes": f"{loops} of {len(clips)}",
        "events": f"{events} of {len(clips)}",
        "root motion off mm": f"{root_motion:.3f}" if answer["root_motion_track"] else "no root motion",
        "worst": farthest if answer["root_motion_track"] else "",
    }
    good = (
        error <= LARGEST_MM
        and answer["meshes"] > 0
        and max(from_weights) <= LARGEST_WEIGHT
        and root_motion <= LARGEST_ROOT_MOTION_MM
        and loops == events == len(clips)
    )
    return row, good


def _weights_off(
    scene: GlbScene, clip: str, times: Array, played: list[dict[str, dict[str, float]]]
) -> list[float]:
    """The largest difference of the weights of each mesh from what the file says at seconds (N,)."""
    off = []
    for curve in scene.weights[clip]:
        name = scene.names[curve.node]
        mine = [one.get(name) or one.get(name.replace(".", "_")) or {} for one in played]
        for shape, values in zip(curve.names, curve.values.T, strict=True):
            right = np.interp(times, curve.times, values)
            found = [one.get(shape, one.get(shape.replace(".", "_"), np.nan)) for one in mine]
            off.append(float(np.nan_to_num(np.abs(np.array(found) - right), nan=1.0).max()))
    return off


def _node(scene: GlbScene, joint: str) -> int:
    nodes = scene.joints or range(len(scene.names))
    return next(node for node in nodes if scene.names[node] == joint)


def _root_motion_error_mm(end: list[float], root_motion: dict[str, Any], loop: bool) -> float:
    """Millimetres from where clips.json says, a turn counted at a metre's arm; of all cycles together."""
    place, heading = np.zeros(3), 0.0
    for _ in range(CYCLES if loop else 1):
        place = place + _about_up(heading) @ root_motion["offset_m"]
        heading += np.radians(root_motion["turn_deg"])
    miss = float(np.linalg.norm(place - end[:3]))
    return 1000 * max(miss, abs(float(np.angle(np.exp(1j * (heading - end[3]))))))


def _about_up(angle: float) -> Array:
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0, s], [0, 1, 0], [-s, 0, c]])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
