"""The life of the overlays: what Blender calls them by, what is kept between two redraws, and its end.

An overlay is an `Overlay` in a file of its own, named in `overlays/__init__.py`, with a switch in
`properties/preferences.py`. It has two functions of a `View`:

- `key(view)` is called at each redraw and must be cheap: whatever the drawing depends on beside armature,
  Action, their edits and the settings; the frame, for one that changes from frame to frame.
- `drawing(view)` gives the strokes and labels, and is called only when something of that has changed.

Nothing of Blender's data is kept: keys hold numbers and text, and what has gone is asked for anew.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field

import bpy
from bpy.app.handlers import persistent  # keeps a function in its list when another file is loaded
from mathutils import Matrix

from . import draw_time, facts
from .strokes import Batches, Label, Placed, Stroke, placed, spread, write
from .view import EDITS, View


@dataclass(frozen=True)
class Drawing:
    """What an overlay shows until its key changes; `from_take` is the facts', for strokes in that space."""

    strokes: Sequence[Stroke] = ()
    labels: Sequence[Label] = ()
    from_take: Matrix | None = None


@dataclass(frozen=True)
class Overlay:
    """One overlay of the 3D view, or a part of one that changes at other times.

    Attributes:
        name: of its own.
        switch: it is shown while `show_SWITCH` is on.
        key, drawing: see the top of this file.
    """

    name: str
    switch: str
    key: Callable[[View], Hashable]
    drawing: Callable[[View], Drawing]


@dataclass
class _Kept:
    """A drawing, what it was made of, and as `gpu` holds it once it was drawn."""

    key: Hashable
    drawing: Drawing
    batches: Batches | None = None


@dataclass
class _State:
    overlays: tuple[Overlay, ...] = ()
    handles: list[tuple[type, object]] = field(default_factory=list)
    kept: dict[tuple[int, str], _Kept] = field(default_factory=dict)
    labelled: list[tuple[Sequence[Label], dict[str, Matrix]]] = field(default_factory=list)


_STATE = _State()


def attach(overlays: Sequence[Overlay]) -> None:
    """Let Blender draw `overlays`."""
    _STATE.overlays = tuple(overlays)
    view = bpy.types.SpaceView3D
    for draw, when in ((_draw_strokes, "POST_VIEW"), (_draw_texts, "POST_PIXEL")):
        _STATE.handles.append((view, view.draw_handler_add(draw, (), "WINDOW", when)))
    _STATE.handles += draw_time.attach()
    for handlers, function in _HANDLERS:
        handlers.append(function)
    facts.attach(redraw)


def detach() -> None:
    """Take all of that away again, and forget what was drawn."""
    for space, handle in _STATE.handles:
        space.draw_handler_remove(handle, "WINDOW")
    for handlers, function in _HANDLERS:
        if function in handlers:
            handlers.remove(function)
    draw_time.forget()
    facts.detach()
    _STATE.handles.clear()
    _STATE.kept.clear()


def redraw() -> None:
    """Have all editors drawn again that show overlays."""
    for window in bpy.context.window_manager.windows:
        for area in window.screen.areas:
            if area.type in ("VIEW_3D", "DOPESHEET_EDITOR"):
                area.tag_redraw()


def view_now(context: bpy.types.Context) -> View | None:
    """What overlays are drawn for now; None where there is nothing to draw."""
    return View.of(context)


def current(view: View, overlay: Overlay) -> _Kept:
    """The drawing of an overlay as of now, made anew only where its key has changed."""
    place = (view.scene.session_uid, overlay.name)
    key = (view.common, overlay.key(view))
    kept = _STATE.kept.get(place)
    if kept is None or kept.key != key:
        kept = _STATE.kept[place] = _Kept(key, overlay.drawing(view))
    return kept


def _shown(context: bpy.types.Context) -> tuple[View, list[_Kept]] | None:
    """What the 3D view at hand is to show; None where Blender's own switch hides all overlays."""
    space = context.space_data
    if space is None or space.type != "VIEW_3D" or not space.overlay.show_overlays:
        return None
    view = view_now(context)
    if view is None:
        return None
    on = [one for one in _STATE.overlays if getattr(view.settings, f"show_{one.switch}")]
    return view, [current(view, one) for one in on]


def _draw_strokes() -> None:
    shown = _shown(bpy.context)
    _STATE.labelled = []
    if shown is None:
        return
    view, kept = shown
    scale = view.context.preferences.system.ui_scale
    for one in kept:
        if not (one.drawing.strokes or one.drawing.labels):
            continue
        places = view.places(one.drawing.from_take)
        one.batches = one.batches or Batches(one.drawing.strokes)
        one.batches.draw(places, scale)
        if one.drawing.labels:
            _STATE.labelled.append((one.drawing.labels, places))


def _draw_texts() -> None:
    """The labels of what `_draw_strokes` has just drawn: Blender calls both for each view, one by one."""
    labelled, _STATE.labelled = _STATE.labelled, []
    context = bpy.context
    region, region_3d = context.region, context.region_data
    if not labelled or region_3d is None:
        return
    scale, seen = context.preferences.system.ui_scale, region_3d.perspective_matrix
    size, free = (region.width, region.height), _free_width(context)
    found: list[Placed] = []
    for labels, places in labelled:
        found += placed(labels, places, size, free, seen, scale)
    write(((one.text, one.x, one.y, one.colour) for one in spread(found)), scale)


def _free_width(context: bpy.types.Context) -> float:
    """How much of the view at hand its sidebar leaves free, from the left, pixels."""
    view = context.region
    sides = [one.x - view.x for one in context.area.regions if one.type == "UI" and one.width > 1]
    return min([one for one in sides if one > view.width / 2], default=view.width)


def _note_edits(_: bpy.types.Scene, depsgraph: bpy.types.Depsgraph) -> None:
    if facts.is_reading():
        return
    kinds = {type(one.id) for one in depsgraph.updates}
    if bpy.types.Armature in kinds or bpy.types.Action in kinds:
        # A row of a list is kept with an Action too: only what moves an armature can be a key.
        EDITS.note(keys=bpy.types.Armature in kinds or bpy.types.Object in kinds)


def _note_undo(*_) -> None:
    EDITS.note(keys=True)


def _forget(*_) -> None:
    _STATE.kept.clear()
    draw_time.forget()
    facts.detach()
    EDITS.note(keys=True)


_HANDLERS = (
    (bpy.app.handlers.depsgraph_update_post, persistent(_note_edits)),
    (bpy.app.handlers.undo_post, persistent(_note_undo)),
    (bpy.app.handlers.redo_post, persistent(_note_undo)),
    (bpy.app.handlers.load_post, persistent(_forget)),
)
