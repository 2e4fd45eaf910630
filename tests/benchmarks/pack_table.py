"""Everything that is promised of a pack, by one command: validity, pose error, sameness, size, speed, faults.

    npm ci --prefix tests/exchange; npm ci --prefix tests/benchmarks
    python tests/benchmarks/pack_table.py [--quick] [OTHER_PYTHON]

First the sample's set in every kind of output, on its own skeleton and on the sample scene's characters (mesh, skin,
morph targets) where Blender's module is installed: what the Khronos validator says of all files, and how far joints
are from the dense clips at four times the clips' rate, read by pygltflib and played by the tests' own player. Then
the tables of reproduce_table.py, and of size_table.py, export_speed.py (200 clips), fault_table.py (200 kills, of
a set and of two characters' sets) and fuzz_table.py (its first 50,000 inputs), which --quick leaves out.
"""

from __future__ import annotations

import importlib.util
import json
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pygltflib

sys.path.insert(0, str(Path(__file__).parents[1]))

from glb_reader import Glb
from node_parties import validator_issues
from takemill.pipeline.prepare_take import ignore_progress
from takemill.recipe.recipe import parse_recipe
from takemill.sets import packing, packing_characters

HERE = Path(__file__).parent
SAMPLES = HERE.parents[1] / "sample_blends"
TAKE = SAMPLES / "marsh_take.bvh"
PER_FRAME = 4

EXPORT = """
import sys, bpy
bpy.ops.wm.open_mainfile(filepath=sys.argv[1])
for one in [o for o in bpy.context.scene.objects if o.type == "ARMATURE"]:
    for other in bpy.context.scene.objects:
        other.select_set(other is one or other in one.children_recursive)
    bpy.context.view_layer.objects.active = one
    one.location = (0, 0, 0)
    bpy.ops.export_scene.gltf(filepath=f"{sys.argv[2]}/{one.name.lower()}.glb", export_format="GLB",
                              use_selection=True, export_animations=False)
import os
os._exit(0)
"""


def kinds() -> Iterator[tuple[str, str]]:
    """Kinds of output, and what the recipe says of them."""
    yield "one file", ""
    yield "a file per clip, with mesh", 'files = "each"\n'
    yield "clips apart from the mesh", 'files = "separate"\n'
    yield "float32", ""
    yield "cubic where smaller", ""
    yield "cubic", ""


TABLES = {
    "float32": 'storage = "float32"\n',
    "cubic where smaller": 'interpolation = "smallest"\n',
    "cubic": 'interpolation = "cubic"\n',
}


def recipe_of(kind: str, top: str):
    """The sample's recipe in that kind."""
    text = top + (SAMPLES / "marsh_set.toml").read_text()
    more = TABLES.get(kind, "")
    if more and "[reduce]" in text:
        text = text.replace("[reduce]\n", f"[reduce]\n{more}", 1)
    elif more:
        text = text.replace("[[clip]]", f"[reduce]\n{more}\n[[clip]]", 1)
    return parse_recipe(text, kind)


def characters(folder: Path) -> list[Path]:
    """The sample scene's characters, from Blender's own exporter; none without Blender's module."""
    if importlib.util.find_spec("bpy") is None:
        return []
    (folder / "export.py").write_text(EXPORT)
    command = [sys.executable, str(folder / "export.py"), str(SAMPLES / "marsh_ferry.blend"), str(folder)]
    subprocess.run(command, check=True, capture_output=True)
    return sorted(path for path in folder.glob("*.glb") if path.stem != "suit")


def row(title: str, folder: Path, motions) -> bool:
    """Print what is found of a set; whether it is well."""
    said = json.loads((folder / "clips.json").read_bytes())
    codes, files = Counter(), sorted(folder.rglob("*.glb"))
    kept = Counter()
    for path in files:
        data = path.read_bytes()
        codes.update(issue["code"] for issue in validator_issues(data))
        file = json.loads(pygltflib.GLTF2.load_from_bytes(data).to_json())
        kept["morph"] += any("targets" in p for m in file.get("meshes", []) for p in m["primitives"])
        kept["skin"] += bool(file.get("skins"))
        animations = file.get("animations") or []
        kept["extras"] += any(one.get("extras") for one in animations)
        ways = [sampler.get("interpolation") for one in animations for sampler in one["samplers"]]
        kept["cubic"] += "CUBICSPLINE" in ways
        kept["int16"] += any(
            one["componentType"] == 5122 and one.get("normalized") for one in file.get("accessors", [])
        )
    error = max(
        error_mm(folder / clip["file"], clip["name"], motions[clip["name"]]) for clip in said["clips"]
    )
    bound = 1000 * said["settings"]["reduce"]["max_error_m"]
    held = ", ".join(f"{name} {count}" for name, count in kept.items() if count)
    told = ", ".join(f"{code} {count}" for code, count in sorted(codes.items())) or "nothing"
    size = sum(clip["keys"]["bytes"] for clip in said["clips"])
    print(
        f"{title:40}{len(files):>6}{size / 1024:>9.0f}{error:>10.3f}{bound:>7.1f}  {told}  ({held})",
        flush=True,
    )
    return error <= bound and not codes


def error_mm(path: Path, clip: str, motion) -> float:
    """The largest distance of a joint from the dense clip, at four times its rate."""
    file = pygltflib.GLTF2.load_from_bytes(path.read_bytes())
    glb = Glb(json.loads(file.to_json()), file.binary_blob())
    frames = np.arange((len(motion) - 1) * PER_FRAME + 1) / PER_FRAME
    played = glb.positions(clip, frames / motion.rate, motion.skeleton.names)
    right = motion.sampled(frames, motion.rate).model()[1]
    return 1000 * float(np.linalg.norm(played - right, axis=-1).max())


def main(arguments: list[str]) -> int:
    """Print all tables."""
    quick, others = "--quick" in arguments, [one for one in arguments if one != "--quick"]
    well = True
    print(f"{'':40}{'files':>6}{'keys kB':>9}{'error mm':>10}{'bound':>7}  validator (files that hold)")
    with tempfile.TemporaryDirectory() as place:
        rigs = characters(Path(place))
        # The dense clips are the same for all kinds, which say how they are stored.
        plain = recipe_of("one file", "")
        motions = {one.name: one.motion for one in packing.make_file_clips([TAKE], plain, ignore_progress)}
        fitted = packing_characters.make_character_clips([TAKE], rigs, plain, ignore_progress) if rigs else {}
        for kind, top in kinds():
            recipe = recipe_of(kind, top)
            out = Path(place) / kind
            packing.pack_takes([TAKE], recipe, out, ignore_progress)
            well &= row(f"own skeleton, {kind}", out, motions)
            if rigs and kind != "cubic where smaller":
                packing_characters.pack_characters([TAKE], rigs, recipe, out / "to", ignore_progress)
                for name, clips in fitted.items():
                    well &= row(f"{name}, {kind}", out / "to" / name, {one.name: one.motion for one in clips})
    tables = [["reproduce_table.py", *others]]
    if not quick:
        tables += [["size_table.py"], ["export_speed.py", "200", "120", "60"]]
        tables += [["fault_table.py", "200"], ["fault_table.py", "200", "2"], ["fuzz_table.py", "50000"]]
    for script, *more in tables:
        print(f"\n{script}\n", flush=True)
        well &= subprocess.run([sys.executable, str(HERE / script), *more], check=False).returncode == 0
    return int(not well)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
