"""The part of a panel for a character's springs: chains, colliders, and how they swing."""

from __future__ import annotations

import bpy

from ..bridge.characters import live_swing
from ..bridge.takes import stage
from ..properties.springs import OWN
from ..translations import say
from .steps import draw_name, draw_rows, fields, is_narrow, line, list_and_side, paragraph


class TAKEMILL_UL_chains(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "use", text="")
        draw_name(row, item, "name", getattr(active_data, active_propname) == index)
        if not is_narrow(context):
            row.prop(item, "preset", text="")


class TAKEMILL_UL_colliders(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        draw_name(layout, item, "name", getattr(active_data, active_propname) == index)


def draw_springs(layout, context: bpy.types.Context, armature: bpy.types.Object) -> None:
    """The closed part of a panel that holds a character's springs."""
    header, body = layout.panel("TAKEMILL_springs", default_closed=True)
    header.label(text="Springs")
    if not body:
        return
    known = armature.takemill
    body.operator("takemill.find_chains", icon="VIEWZOOM")
    _draw_list(body, context, known, "chain", rows=3)
    if 0 <= known.chain_index < len(known.chains):
        _draw_chain(body, context, known.chains[known.chain_index], armature.data)
    header, inner = body.panel("TAKEMILL_colliders", default_closed=True)
    header.label(text=say("Colliders: {}", len(known.colliders)))
    if inner:
        _draw_list(inner, context, known, "collider", rows=2)
        if 0 <= known.collider_index < len(known.colliders):
            _draw_collider(inner, known.colliders[known.collider_index], armature.data)
    action = stage.find_active_action(armature)
    if action and action.takemill.looping:
        body.operator("takemill.stop_loop", icon="SNAP_FACE", depress=True)
        if problem := live_swing.problem():
            paragraph(body, context, problem, "ERROR")
    else:
        body.operator("takemill.preview_swing", icon="PLAY")
    body.operator("takemill.swing_chains", icon="FORCE_HARMONIC")


def _draw_list(layout, context, known, what: str, rows: int) -> None:
    place, side = list_and_side(layout, context)
    draw_rows(place, known, what, rows)
    side.operator(f"takemill.add_{what}", text="", icon="ADD")
    side.operator(f"takemill.remove_{what}", text="", icon="REMOVE")


def _draw_chain(layout, context, chain, data) -> None:
    if is_narrow(context):
        fields(layout, context, chain, "preset")
    column = layout.column(align=True)
    for name in ("first", "last", "center"):
        column.prop_search(chain, name, data, "bones")
    row = line(layout, context)
    row.prop(chain, "collides")
    if chain.collides:
        row.prop(chain, "only", text="", placeholder="All Colliders")
    if chain.preset == OWN:
        column = layout.column(align=True)
        for name in ("stiffness", "drag", "gravity", "radius"):
            column.prop(chain, name)
        column.prop(chain, "gravity_dir")


def _draw_collider(layout, collider, data) -> None:
    layout.prop_search(collider, "bone", data, "bones")
    column = layout.column(align=True)
    if not collider.plane:
        column.prop(collider, "radius")
    column.prop(collider, "offset")
    column.prop(collider, "plane")
    if collider.plane:
        column.prop(collider, "normal")
        return
    column.prop(collider, "capsule")
    if collider.capsule:
        column.prop(collider, "tail")
    column.prop(collider, "inside")


CLASSES = (TAKEMILL_UL_chains, TAKEMILL_UL_colliders)
