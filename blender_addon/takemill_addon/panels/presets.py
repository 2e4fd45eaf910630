"""Presets of settings, by Blender's own preset system: ours in the folder presets, and users' own."""

from __future__ import annotations

from pathlib import Path

import bpy
from bl_operators.presets import AddPresetBase

from ..properties.repair import REPAIR_FIELDS

PLACE = str(Path(__file__).resolve().parents[1])
"""Where the folder `presets` of the add-on lies."""

_told: set[str] = set()
_VALUES = {
    "repair": list(REPAIR_FIELDS),
    "pack": ["set_files", "set_rate", "max_error_mm", "set_keys", "set_floats", "deform_only"],
}
"""By panel, the fields of the scene that a preset holds."""


class TAKEMILL_MT_repair_presets(bpy.types.Menu):
    bl_label = "Presets"
    preset_subdir = "takemill/repair"
    preset_operator = "script.execute_preset"
    draw = bpy.types.Menu.draw_preset  # type: ignore[assignment]  # Blender's own way


class TAKEMILL_MT_pack_presets(bpy.types.Menu):
    bl_label = "Presets"
    preset_subdir = "takemill/pack"
    preset_operator = "script.execute_preset"
    draw = bpy.types.Menu.draw_preset  # type: ignore[assignment]  # Blender's own way


class TAKEMILL_OT_repair_preset(AddPresetBase, bpy.types.Operator):
    """Add the settings of the repair to the presets, or remove the chosen preset"""

    bl_idname = "takemill.repair_preset"
    bl_label = "Add Repair Preset"
    preset_menu = "TAKEMILL_MT_repair_presets"
    preset_defines = ("chosen = bpy.context.scene.takemill",)
    preset_values = tuple(f"chosen.{name}" for name in _VALUES["repair"])
    preset_subdir = "takemill/repair"


class TAKEMILL_OT_pack_preset(AddPresetBase, bpy.types.Operator):
    """Add the settings of the set to the presets, or remove the chosen preset"""

    bl_idname = "takemill.pack_preset"
    bl_label = "Add Set Preset"
    preset_menu = "TAKEMILL_MT_pack_presets"
    preset_defines = ("chosen = bpy.context.scene.takemill",)
    preset_values = tuple(f"chosen.{name}" for name in _VALUES["pack"])
    preset_subdir = "takemill/pack"


def draw_presets(layout, what: str) -> None:
    """The menu of a panel's presets, with the buttons that add and remove one."""
    menu = {"repair": TAKEMILL_MT_repair_presets, "pack": TAKEMILL_MT_pack_presets}[what]
    row = layout.row(align=True)
    row.menu(menu.__name__, text=menu.bl_label)
    row.operator(f"takemill.{what}_preset", text="", icon="ADD")
    row.operator(f"takemill.{what}_preset", text="", icon="REMOVE").remove_active = True


def attach() -> None:
    """Let Blender look for presets in the add-on too."""
    if PLACE not in _told:
        _told.add(PLACE)
        bpy.utils.register_preset_path(PLACE)


def detach() -> None:
    """Let it look there no more; a second call does nothing."""
    if PLACE in _told:
        _told.remove(PLACE)
        bpy.utils.unregister_preset_path(PLACE)


CLASSES = (
    TAKEMILL_MT_repair_presets,
    TAKEMILL_MT_pack_presets,
    TAKEMILL_OT_repair_preset,
    TAKEMILL_OT_pack_preset,
)
