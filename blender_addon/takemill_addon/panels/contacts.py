"""The part of a panel for what hands and body touch."""

from __future__ import annotations

import bpy

from ..bridge.characters import hand_contacts
from ..translations import say
from .steps import draw_rows, line


class TAKEMILL_UL_contacts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "keep", text="")
        columns = row.split(factor=0.8)
        columns.label(text=item.name)
        if item.off_mm >= 0:
            columns.alert = hand_contacts.is_missed(item)
            columns.label(text=f"{item.off_mm:.0f} mm")


def draw_contacts(layout, context: bpy.types.Context, action: bpy.types.Action) -> None:
    """The closed part of a panel that holds the contacts of hands and body."""
    take = hand_contacts.take_of(action)
    known = take.takemill
    header, body = layout.panel("TAKEMILL_contacts", default_closed=True)
    count = say("Contacts of Hands: {}", len(known.contacts))
    header.label(text=count if known.contacts else "Contacts of Hands")
    if not body:
        return
    line(body, context).prop(context.scene.takemill, "fit_goals")
    if take == action:
        body.operator("takemill.find_contacts", icon="VIEWZOOM")
    draw_rows(body, known, "contact", rows=4)


CLASSES = (TAKEMILL_UL_contacts,)
