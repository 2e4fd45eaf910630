"""The preferences: which overlays are shown, and their colours."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, FloatVectorProperty, PointerProperty

ADDON = __package__.rpartition(".")[0]
"""The name that Blender knows the add-on by."""


def _switch(name: str, text: str, default: bool):
    return BoolProperty(name=name, description=text, default=default)


def _colour(name: str, text: str, code: str):
    value = tuple(int(code[k : k + 2], 16) / 255 for k in (1, 3, 5))
    return FloatVectorProperty(
        name=name, description=text, subtype="COLOR_GAMMA", size=3, min=0.0, max=1.0, default=value
    )


class TAKEMILL_PG_overlays(bpy.types.PropertyGroup):
    """Switches and colours. The defaults are the colours of the pages on a dark ground, `pages/page.css`."""

    show_findings: _switch(
        "Findings on Bones", "Colour the bones that findings of the present frame are about", True
    )
    colour_repaired: _colour("Repaired", "What a repair has made", "#ffb6d0")
    colour_spike: _colour("Spikes", "Findings of spikes", "#ff8f82")
    colour_frozen: _colour("Frozen", "Findings of frozen frames and dead sensors", "#d39ad6")
    colour_skating: _colour("Skating", "Findings of planted feet that slide", "#6fc3df")
    colour_other: _colour("Other Findings", "All other findings", "#a4ad9f")


class TAKEMILL_AP_preferences(bpy.types.AddonPreferences):
    bl_idname = ADDON

    overlays: PointerProperty(type=TAKEMILL_PG_overlays)

    def draw(self, context) -> None:
        layout = self.layout
        layout.use_property_split = True
        for start in ("show_", "colour_"):
            column = layout.column(heading="Overlays" if start == "show_" else "")
            for name in names_of(start):
                column.prop(self.overlays, name)


def names_of(start: str) -> list[str]:
    """The switches ("show_") or the colours ("colour_") of the overlays, in their order."""
    properties = TAKEMILL_PG_overlays.bl_rna.properties
    return [one.identifier for one in properties if one.identifier.startswith(start)]


def overlay_settings(context: bpy.types.Context) -> bpy.types.PropertyGroup:
    """The overlays' settings: the preferences, or the window manager's where Blender keeps none for us.

    It keeps none for a package that a script registers by itself.
    """
    kept = context.preferences.addons.get(ADDON)
    if kept is not None and kept.preferences is not None:
        return kept.preferences.overlays
    return context.window_manager.takemill_overlays


CLASSES = (TAKEMILL_PG_overlays, TAKEMILL_AP_preferences)
