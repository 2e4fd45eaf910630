"""Packing: the listed clips, with rig and mesh, as a set that an engine loads."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import bpy

from takemill.clip_set import expect_place, write_clip_set
from takemill.errors import InputError
from takemill.loop_close import CloseSettings
from takemill.loop_search import LoopSettings
from takemill.recipe import Recipe, expect_name
from takemill.reduce import ReduceSettings

from . import stage
from .export_rig import export_rig, hidden_parts_of
from .operators_cuts import travel_settings
from .packing import Stock, clips_of, takes_of


@dataclass(frozen=True)
class _Order:
    """Where a set goes and how it is written."""

    folder: Path
    name: str
    rate: float | None
    deform_only: bool
    recipe: Recipe


def some_clips(context: bpy.types.Context) -> str:
    """Needs a ticked clip."""
    clips = stage.armature_of(context).takemill.clips
    return "" if any(clip.use for clip in clips) else "Make clips first, and leave one ticked"


def an_exporter(_: bpy.types.Context) -> str:
    """Needs Blender's bundled glTF add-on."""
    found = hasattr(bpy.types, "EXPORT_SCENE_OT_gltf")
    return "" if found else "Enable Blender's own glTF 2.0 add-on in the preferences"


class TAKEMILL_OT_pack_set(stage.Stage, bpy.types.Operator):
    """Write the ticked clips with rig and mesh: a GLB, clips.json and a report, over an older set"""

    bl_idname = "takemill.pack_set"
    bl_label = "Pack Clip Set"
    needs = (stage.an_armature, stage.a_body, some_clips, an_exporter)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        order = _order(context.scene.takemill, armature)
        stock = Stock.of(armature, order.deform_only)
        expect_place(order.folder, order.name)
        clips, unscaled = clips_of(context, stock, order.rate)
        takes = takes_of(context, stock, clips)
        base = export_rig(context, armature, stock.packed_skeleton.names if order.deform_only else None)
        manager = context.window_manager
        manager.progress_begin(0, 100)
        try:
            facts = write_clip_set(
                order.folder,
                base,
                order.name,
                takes,
                clips,
                order.recipe,
                progress=lambda _, part: manager.progress_update(round(100 * part)),
                place=stock.placed,
            )
        finally:
            manager.progress_end()
        hidden = hidden_parts_of(context, armature)
        notes = [f"{len(facts)} clips packed into {order.folder / order.name}.glb"]
        notes += [f"hidden and left out: {', '.join(hidden)}"] * bool(hidden)
        notes += [f"without the scale of {', '.join(unscaled)}"] * bool(unscaled)
        return "; ".join(notes)


def _order(chosen, armature: bpy.types.Object) -> _Order:
    if chosen.set_folder.startswith("//") and not bpy.data.filepath:
        raise InputError(
            "the folder lies beside this file, which has no place yet; save the file or name a folder"
        )
    folder = Path(bpy.path.abspath(chosen.set_folder or "//"))
    name = expect_name(chosen.set_name or armature.name, "name of the set")
    rate = chosen.set_rate or None
    recipe = Recipe(
        name=name,
        rate=rate,
        loop=LoopSettings(longest_s=chosen.loop_longest_s or None),
        close=CloseSettings(seam_s=chosen.seam_s),
        travel=travel_settings(chosen),
        reduce=ReduceSettings(max_error_m=chosen.max_error_mm / 1000),
    )
    return _Order(folder, name, rate, chosen.deform_only, recipe)


CLASSES = (TAKEMILL_OT_pack_set,)
