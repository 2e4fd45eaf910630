"""The part of a panel for what hands and body touch."""

from __future__ import annotations

import bpy

from ..bridge.characters import hand_contacts
from ..translations import say
from .steps import draw_rows, line, paragraph

_WIDE_PX = (
    370  # a sidebar this wide, at a resolution scale of 1, has room for how far off a contact is (by eye)
)


class TAKEMILL_UL_contacts(bpy.types.UIList):
    def draw_item(self, context, layout, data, item, icon, active_data, active_propname, index=0, flt_flag=0):
        row = layout.row(align=True)
        row.prop(item, "keep", text="")
        row.alert = hand_contacts.is_missed(item)
        wide = context.region.width / context.preferences.system.ui_scale >= _WIDE_PX
        columns = row.split(factor=0.8) if wide else row
        columns.label(text=item.name)
        if wide and item.off_mm >= 0:
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
    if 0 <= known.contact_index < len(known.contacts):
        chosen = known.contacts[known.contact_index]
        fitted = say("{}: {:.0f} mm off in the last fit", chosen.name, chosen.off_mm)
        paragraph(body, context, fitted if chosen.off_mm >= 0 else chosen.name, "BLANK1")


CLASSES = (TAKEMILL_UL_contacts,)
