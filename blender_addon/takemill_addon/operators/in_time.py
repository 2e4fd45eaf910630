"""Clicks on what overlays show in the Timeline and the Dope Sheet, and the ends of cuts dragged there."""

from __future__ import annotations

from collections.abc import Iterator

import bpy

from ..bridge.scene import views
from ..bridge.takes import stage
from ..bridge.takes.characters import cuts_holder
from ..overlays.draw_time import frame_at, hit, lanes_of
from ..overlays.timeline import Bar
from ..overlays.view import View

_KEYMAP = "Dopesheet"
_ENDS = {"start": "start", "stop": "end"}
"""The part of a bar that is dragged, and what of the cut that is."""


def something_in_time(context: bpy.types.Context) -> str:
    """Needs something that is shown in time."""
    view = View.of(context)
    if view is None:
        return "Select an armature with an action"
    shown = any(getattr(view.settings, name) for name in dir(view.settings) if name.startswith("show_time_"))
    return "" if shown else "Switch on what is shown in time, in the panel Overlays"


class TAKEMILL_OT_pick_in_time(bpy.types.Operator):
    """Go to what is clicked in the Timeline or the Dope Sheet; drag an end of a cut to move it"""

    bl_idname = "takemill.pick_in_time"
    bl_label = "Pick in Time"
    bl_options = {"REGISTER", "UNDO"}

    cut: bpy.props.StringProperty(name="Cut", description="The cut whose ends are set; empty for none")
    start: bpy.props.IntProperty(name="From", description="First scene frame of the cut")
    end: bpy.props.IntProperty(name="To", description="Last scene frame of the cut")

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        reason = something_in_time(context)
        if reason:
            cls.poll_message_set(reason)
        return not reason

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        view, region = View.of(context), context.region
        if view is None or context.area.type != "DOPESHEET_EDITOR" or region.type != "WINDOW":
            return {"PASS_THROUGH"}
        found = hit(lanes_of(view, region.height), region, event.mouse_region_x, event.mouse_region_y)
        if found is None:
            return {"PASS_THROUGH"}
        with views.time_held():  # under the mouse
            return self._pick(context, view, *found)

    def _pick(self, context: bpy.types.Context, view: View, bar: Bar, part: str) -> set[str]:
        """Choose what a bar stands for, and begin to drag an end of a cut."""
        known = view.action.takemill
        self.cut = ""
        if bar.what == "finding":
            known.finding_index = bar.index  # which goes there
        elif bar.what == "cut":
            listed = cuts_holder(view.action).takemill
            listed.cut_index = bar.index
            cut = listed.cuts[bar.index]
            if part in _ENDS:
                self.cut, self.start, self.end = cut.name, cut.start, cut.end
                self._part, self._before = _ENDS[part], (cut.start, cut.end)
                context.window_manager.modal_handler_add(self)
                return {"RUNNING_MODAL"}
        else:
            context.scene.frame_set(round(bar.start))
        return {"FINISHED"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        if event.type in {"ESC", "RIGHTMOUSE"}:
            self.start, self.end = self._before
            self._end(context)
            return {"CANCELLED"}
        if event.type == "MOUSEMOVE":
            frame = round(frame_at(context.region, event.mouse_region_x))
            if self._part == "start":
                self.start = min(frame, self.end)
            else:
                self.end = max(frame - 1, self.start)  # a bar ends where its last frame does
            self.execute(context)
            context.area.header_text_set(f"{self.cut}: frames {self.start} to {self.end}")
        elif event.type == "LEFTMOUSE" and event.value == "RELEASE":
            return self._end(context)
        return {"RUNNING_MODAL"}

    def cancel(self, context: bpy.types.Context) -> None:
        self.start, self.end = self._before
        self._end(context)

    def _end(self, context: bpy.types.Context) -> set[str]:
        context.area.header_text_set(None)
        return self.execute(context)

    def execute(self, context: bpy.types.Context) -> set[str]:
        action = stage.find_active_action(stage.armature_of(context))
        cut = cuts_holder(action).takemill.cuts.get(self.cut) if action else None
        if cut is None:
            if self.cut:
                self.report({"ERROR"}, f"there is no cut {self.cut!r}; choose one of the list")
            return {"CANCELLED"}
        if self.start > self.end:
            self.report({"ERROR"}, f"cut {self.cut!r}: it would end before it starts; set To after From")
            return {"CANCELLED"}
        cut.start, cut.end = self.start, self.end
        for area in context.screen.areas if context.screen else ():
            area.tag_redraw()
        return {"FINISHED"}


def attach() -> None:
    """Add an entry by which clicks in those editors are heard; all that hit nothing of ours go on to Blender.

    It is off until a user switches it on, as it stands before Blender's own there.
    """
    config = bpy.context.window_manager.keyconfigs.addon
    if config is not None:  # in the background there may be none
        keymap = config.keymaps.new(name=_KEYMAP, space_type="DOPESHEET_EDITOR")
        item = keymap.keymap_items.new(TAKEMILL_OT_pick_in_time.bl_idname, "LEFTMOUSE", "PRESS")
        item.active = False


def detach() -> None:
    """Hear of them no more."""
    config = bpy.context.window_manager.keyconfigs.addon
    for keymap, item in list(_items(config)):
        keymap.keymap_items.remove(item)


def key_of_user(context: bpy.types.Context) -> bpy.types.KeyMapItem | None:
    """The entry of the user's keymap that switches clicks on; None where Blender has no window."""
    return next((item for _, item in _items(context.window_manager.keyconfigs.user)), None)


def _items(
    config: bpy.types.KeyConfig | None,
) -> Iterator[tuple[bpy.types.KeyMap, bpy.types.KeyMapItem]]:
    """Our entries in a set of keymaps."""
    keymap = config.keymaps.get(_KEYMAP) if config is not None else None
    for item in keymap.keymap_items if keymap is not None else ():
        if item.idname == TAKEMILL_OT_pick_in_time.bl_idname:
            yield keymap, item


CLASSES = (TAKEMILL_OT_pick_in_time,)
