"""Takes of files that only Blender reads, for the shell: `python -m takemill_addon.read_takes FILE OUT`.

It runs in a process of its own, so that no scene of a user is touched and no fault of an importer ends the
shell. What is found goes into OUT, a NumPy archive: arrays, and `said`, JSON with all else or an `error`.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator
from pathlib import Path

import bpy
import numpy as np

from takemill.base.errors import FileError, InputError, TakemillError
from takemill.body.motion import Motion

from . import register
from .bridge.motion.read_action import read_take
from .bridge.rigs.rig import ArmatureFrame
from .bridge.scene import actions, scene_time
from .bridge.takes import foreign, imports


def main(arguments: list[str]) -> int:
    """Read FILE and write OUT; 1 when a reason why not was written instead."""
    path, out = Path(arguments[0]), arguments[1]
    register()
    said: dict[str, object] = {"error": "", "takes": []}
    arrays: dict[str, np.ndarray] = {}
    try:
        takes = _takes_of_blend(path) if path.suffix.lower() == ".blend" else _takes_of_import(path)
        said["takes"] = [
            _packed(arrays, f"{number}_", name, motion, notes)
            for number, (name, motion, notes) in enumerate(takes)
        ]
    except TakemillError as problem:
        said["error"] = str(problem)
    with open(out, "wb") as file:
        np.savez(file, said=np.array(json.dumps(said)), **arrays)
    return int(bool(said["error"]))


def _packed(
    arrays: dict[str, np.ndarray], prefix: str, name: str, motion: Motion, notes: tuple[str, ...]
) -> dict[str, object]:
    """The arrays of a motion under names of their own, and all else of it."""
    skeleton = motion.skeleton
    tracks = {0: motion.root_translation, **motion.translations}
    arrays |= {f"{prefix}track_{joint}": track for joint, track in tracks.items()}
    arrays |= {
        f"{prefix}rotations": motion.rotations,
        f"{prefix}rest_translation": skeleton.rest_translation,
        f"{prefix}rest_rotation": skeleton.rest_rotation,
        f"{prefix}tip_offsets": skeleton.tip_offsets,
    }
    return {
        "name": name, "rate": motion.rate, "names": skeleton.names, "parents": skeleton.parents,
        "tip_joints": skeleton.tip_joints, "tracks": sorted(tracks), "notes": notes,
    }  # fmt: skip


def _takes_of_import(path: Path) -> Iterator[tuple[str, Motion, tuple[str, ...]]]:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    context = bpy.context
    try:
        arrivals, _ = imports.import_takes(context, [path], imports.Wishes(timing="TAKE"))
    except InputError as problem:  # of one file, its own reason
        raise FileError(str(problem)) from None
    for arrival in arrivals:
        scene_time.set_frame_rate(context.scene, arrival.action.takemill.key_rate)
        motion, unscaled = _motion(arrival.armature, arrival.action)
        yield arrival.action.name, motion, (*arrival.notes, *unscaled)


def _takes_of_blend(path: Path) -> Iterator[tuple[str, Motion, tuple[str, ...]]]:
    """The Actions that are no product of ours, each on the armature that plays it or whose bones it keys."""
    try:
        bpy.ops.wm.open_mainfile(filepath=str(path), load_ui=False, use_scripts=False)
    except RuntimeError as problem:
        raise FileError(f"{path}: Blender cannot open it ({str(problem).splitlines()[0]})") from None
    armatures = [item for item in bpy.context.scene.objects if item.type == "ARMATURE" and item.data.bones]
    armatures.sort(key=lambda one: not (one.animation_data and one.animation_data.action))
    count = 0
    for action in bpy.data.actions:
        known = action.takemill
        owner = next((one for one in armatures if _plays(one, action)), None) or next(
            (one for one in armatures if foreign.moves(action, one)), None
        )
        if owner is None or known.source or known.record or known.looping:
            continue
        count += 1
        motion, unscaled = _motion(owner, action)
        yield action.name, motion, unscaled
    if not count:
        raise FileError(f"{path}: no action in it moves an armature of its scene; save it with its take")


def _plays(armature: bpy.types.Object, action: bpy.types.Action) -> bool:
    return bool(armature.animation_data) and armature.animation_data.action == action


def _motion(armature: bpy.types.Object, action: bpy.types.Action) -> tuple[Motion, tuple[str, ...]]:
    """A take as the character sees it, and what is left out of it."""
    actions.assign(armature, action, actions.slot_for(action, armature))
    take = read_take(bpy.context, armature, action, ArmatureFrame.of(armature).standing)
    left_out = (f"the scale of {len(take.unscaled)} joints is left out: {', '.join(take.unscaled[:3])}",)
    return take.motion, left_out if take.unscaled else ()


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
