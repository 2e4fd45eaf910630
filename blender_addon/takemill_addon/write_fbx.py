"""FBX files of a finished GLB, by Blender's bundled exporter: `main([FOLDER])`, in a process of its own.

FOLDER holds `set.glb` and `wishes.json`: which clips go into which file. `0.fbx`, `1.fbx` ... are written
beside them, and at last `done.json`: what went wrong, or "".
"""

from __future__ import annotations

import json
from pathlib import Path

import bpy

from takemill.base.errors import TakemillError

from .bridge.motion.played_glb import PlayedGlb
from .bridge.scene import scene_time


def main(arguments: list[str]) -> int:
    """Write what is wished for; 1 when a reason why not was written instead."""
    folder = Path(arguments[0])
    wishes, said = json.loads((folder / "wishes.json").read_text(encoding="utf-8")), ""
    try:
        played = PlayedGlb((folder / "set.glb").read_bytes(), wishes["source"], folder)
        for number, names in enumerate(wishes["files"]):
            _write(played, names, folder / f"{number}.fbx")
    except TakemillError as problem:
        said = str(problem)
    (folder / "done.json").write_text(json.dumps(said), encoding="utf-8")
    return int(bool(said))


def _write(played: PlayedGlb, names: list[str], path: Path) -> None:
    """One file of clips that are of one rate."""
    for name in names:
        facts = played.scene.extras[name]
        scene_time.set_frame_rate(bpy.context.scene, facts["rate"])
        played.add_clip(name, facts["rate"], facts["frames"])
    bpy.ops.export_scene.fbx(
        filepath=str(path),
        apply_scale_options="FBX_SCALE_ALL",  # metres: at its default all is scaled by 100
        add_leaf_bones=False,
        bake_anim_use_nla_strips=True,  # a clip for each track, of its name
        bake_anim_use_all_actions=False,
        bake_anim_simplify_factor=0.0,  # at its default it thins keys
        path_mode="COPY",
        embed_textures=True,
    )
    played.remove_clips()
