"""The preferences: which overlays are shown, and their colours."""

from __future__ import annotations

from functools import cache

import bpy
from bpy.props import BoolProperty, FloatProperty, FloatVectorProperty, PointerProperty

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
    """Switches and colours: those of `pages/page.css` on a dark ground, raw lighter, as views are."""

    show_findings: _switch(
        "Findings on Bones", "Colour the bones that findings of the present frame are about", True
    )
    show_ghost: _switch(
        "Raw Ghost", "Show the raw take's bones at the present frame beside those of its repair", False
    )
    show_feet: _switch(
        "Foot Trails", "Show where both feet go, thick where they are planted, and how far they slide", False
    )
    show_root_path: _switch(
        "Root Path", "Show the path over the floor, where the body faces, and what root motion takes", False
    )
    show_floor: _switch("Floor", "Show the floor that the feet of the take stand on", False)
    show_seam: _switch(
        "Seam", "Show the two poses that a loop's seam joins, and how far each joint is off", False
    )
    show_goals: _switch(
        "Contacts of Hands",
        "Show what hands and body touch at the present frame, and how near they are",
        False,
    )
    show_springs: _switch("Springs", "Show the chains that swing, and the colliders that push them", True)
    show_time_findings: _switch(
        "Findings in Time", "Show the findings by kind in the Timeline and the Dope Sheet", True
    )
    show_time_cuts: _switch(
        "Cuts in Time",
        "Show the cuts in the Timeline and the Dope Sheet; with Clicks in Time their ends can be dragged",
        True,
    )
    show_time_contacts: _switch(
        "Planted Feet in Time", "Show when each foot is planted in the Timeline and the Dope Sheet", False
    )
    show_time_events: _switch(
        "Events and Seam in Time",
        "Show events and the seam of a loop in the Timeline and the Dope Sheet",
        True,
    )
    ghost_aside_m: FloatProperty(
        name="Ghost Aside", default=0.0, soft_min=-2.0, soft_max=2.0, unit="LENGTH",
        description="How far beside the repair the raw ghost stands, along the armature's own X axis",
    )  # fmt: skip
    trail_s: FloatProperty(
        name="Foot Trail", default=2.0, min=0.1, soft_max=10.0, unit="TIME_ABSOLUTE",
        description="How far before and after the present frame the trails of the feet reach",
    )  # fmt: skip
    colour_left: _colour("Left", "Trail and contacts of the left foot", "#a9a2ff")
    colour_right: _colour("Right", "Trail and contacts of the right foot", "#e0b04a")
    colour_raw: _colour("Raw", "The raw take beside its repair", "#878b7e")
    colour_repaired: _colour("Repaired", "What a repair has made", "#ffb6d0")
    colour_spike: _colour(
        "Spikes and Misses", "Findings of spikes, and contacts that a fit missed", "#ff8f82"
    )
    colour_frozen: _colour(
        "Frozen", "Findings of frozen frames and dead sensors, and a seam's last pose", "#d39ad6"
    )
    colour_skating: _colour("Sliding", "Planted feet that slide, and findings of them", "#6fc3df")
    colour_other: _colour("Other Findings", "All other kinds of findings", "#a4ad9f")
    colour_good: _colour(
        "Root and Contacts", "The root's path, contacts that are kept, a seam's first pose", "#9ccc8b"
    )
    colour_chain: _colour("Chains", "Chains that swing, and the balls at their bones' ends", "#ffd27a")
    colour_collider: _colour("Colliders", "What chains cannot pass through", "#8fd6a3")


class TAKEMILL_AP_preferences(bpy.types.AddonPreferences):
    bl_idname = ADDON

    overlays: PointerProperty(type=TAKEMILL_PG_overlays)

    def draw(self, context) -> None:
        layout = self.layout
        layout.use_property_split = True
        column = layout.column(heading="Overlays")
        for name in (*names_of("show_"), "ghost_aside_m", "trail_s", *names_of("colour_")):
            column.prop(self.overlays, name)


@cache  # each redraw asks
def names_of(start: str) -> tuple[str, ...]:
    """The switches ("show_") or the colours ("colour_") of the overlays, in their order."""
    properties = TAKEMILL_PG_overlays.bl_rna.properties
    return tuple(one.identifier for one in properties if one.identifier.startswith(start))


def overlay_settings(context: bpy.types.Context) -> bpy.types.PropertyGroup:
    """The overlays' settings: the preferences, or the window manager's where Blender keeps none for us.

    It keeps none for a package that a script registers by itself.
    """
    kept = context.preferences.addons.get(ADDON)
    if kept is not None and kept.preferences is not None:
        return kept.preferences.overlays
    return context.window_manager.takemill_overlays


CLASSES = (TAKEMILL_PG_overlays, TAKEMILL_AP_preferences)
