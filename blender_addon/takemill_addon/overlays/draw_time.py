"""Bars drawn into the Timeline and the Dope Sheet, and which of them lies under the mouse."""

from __future__ import annotations

from collections.abc import Hashable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import bpy
import numpy as np
from mathutils import Matrix

from ..translations import say
from . import timeline
from .colours import text_colour
from .strokes import Batches, Colour, Stroke, faces, lines, write
from .timeline import Bar
from .view import View

_LANE_PX, _GAP_SHARE = 14.0, 0.15  # of a lane at a resolution scale of 1, and the part of it left free
_ABOVE_PX = 24.0  # left free for the frame numbers
_BELOW_PX, _EDGE_BELOW_PX = 13.0, 1.0  # left free: for the scroll bar, and where there is none
_NO_SCROLL_BAR_PX = 75.0  # an editor that is lower has none (seen in Blender 5.2)
_MIN_LANE_PX = 11.0  # of a lane whose letters can be read; where there is less room, there are fewer lanes
_MIN_STRIP_PX = 3.0  # of one lane more that has no room for letters
_SHADE = (0.0, 0.0, 0.0, 0.25)  # under the lanes, so that keys below do not mix with them
_EDGE_PX = 1.5  # of the line at a bar's start, which keeps short ones in sight
_GRAB_PX = 6.0  # from an end of a cut, within which it is grabbed
_LETTER_PX = 6.5  # mean width of a letter at a resolution scale of 1
_MOMENT_PX = 90.0  # that the text of a moment may take
_BASE_PX = 2.0  # from a lane's lower edge to its letters


@dataclass
class Lanes:
    """The bars of a view, where their lanes lie, and as `gpu` holds them: x in frames, y in pixels.

    `ends` are the lower and the upper edge of each lane, in pixels above that of the editor.
    """

    key: Hashable
    bars: tuple[Bar, ...]
    ends: dict[str, tuple[float, float]]
    scale: float
    batches: tuple[Batches, Batches] | None = None


_KEPT: dict[tuple[int, int], Lanes] = {}
"""By scene and height of the editor."""
_MAX_KEPT = 8  # each height that an edge is dragged through is another


def attach() -> list[tuple[type, object]]:
    """Let Blender draw them; what to take away again."""
    space = bpy.types.SpaceDopeSheetEditor
    return [(space, space.draw_handler_add(_draw, (), "WINDOW", "POST_PIXEL"))]


def forget() -> None:
    """Forget what was drawn."""
    _KEPT.clear()


def lanes_of(view: View, height: int) -> Lanes:
    """The bars of a view as of now, in an editor so many pixels high."""
    scale = view.context.preferences.system.ui_scale or 1.0  # 0 where Blender has no window
    place = view.scene.session_uid, height
    key = view.common, timeline.key(view), scale
    kept = _KEPT.get(place)
    if kept is None or kept.key != key:
        bars, ends = _laid_out(timeline.bars(view), height / scale)
        ends = {lane: (scale * low, scale * high) for lane, (low, high) in ends.items()}
        if place not in _KEPT and len(_KEPT) >= _MAX_KEPT:
            _KEPT.clear()
        kept = _KEPT[place] = Lanes(key, bars, ends, scale)
    return kept


def _laid_out(bars: Sequence[Bar], height: float) -> tuple[tuple[Bar, ...], dict[str, tuple[float, float]]]:
    """The bars that an editor so high has room for, and their lanes' ends; at a resolution scale of 1."""
    below = _BELOW_PX if height >= _NO_SCROLL_BAR_PX else _EDGE_BELOW_PX
    free = max(height - below - _ABOVE_PX, _MIN_LANE_PX)
    room = int(free / _MIN_LANE_PX)
    strip = free - room * _MIN_LANE_PX
    bars = timeline.fitting(bars, room + (strip >= _MIN_STRIP_PX))
    lanes = timeline.lanes(bars)
    each = min(_LANE_PX, free / max(len(lanes), 1)) if len(lanes) <= room else _MIN_LANE_PX
    sizes = [each if k < room else strip for k in range(len(lanes))]
    low = below + np.concatenate([[0.0], np.cumsum(sizes)])
    edges = zip(low, low[:-1] + (1 - _GAP_SHARE) * np.array(sizes), strict=False)
    return bars, dict(zip(lanes, ((float(a), float(b)) for a, b in edges), strict=True))


def hit(kept: Lanes, region: bpy.types.Region, x: float, y: float) -> tuple[Bar, str] | None:
    """The bar under a place of the region, and the part of it: "start" or "stop" of a cut, else "middle"."""
    across = _across(region)
    for bar in reversed(kept.bars):
        low, high = kept.ends[bar.lane]
        if not low <= y < high:
            continue
        left, right = (across[0] + across[1] * frame for frame in (bar.start, bar.stop))
        grab = kept.scale * _GRAB_PX
        if left - grab <= x <= right + grab:
            if bar.what != "cut":
                return bar, "middle"
            near = min((abs(x - left), "start"), (abs(x - right), "stop"))
            return bar, near[1] if near[0] <= grab else "middle"
    return None


def frame_at(region: bpy.types.Region, x: float) -> float:
    """The frame at so many pixels from the left edge of a region."""
    place: Any = region.view2d.region_to_view(x, 0)  # a pair of numbers; the stubs know it otherwise
    return float(place[0])


def _across(region: bpy.types.Region) -> tuple[float, float]:
    """Where frame 0 lies in the region, in pixels, and how many a frame has."""
    left, right = frame_at(region, 0), frame_at(region, region.width)
    each = region.width / max(right - left, 1e-9)
    return -left * each, each


def strokes_of(kept: Lanes) -> list[Stroke]:
    """The bars as faces, with a line at the start of each."""
    if not kept.bars:
        return []
    low, high = np.array([kept.ends[bar.lane] for bar in kept.bars]).T
    start = np.array([bar.start for bar in kept.bars], float)
    stop = np.array([bar.stop for bar in kept.bars], float)
    colours = np.array([bar.colour for bar in kept.bars])
    flat = np.zeros_like(low)
    a, b, c, d = (
        np.stack([x, y, flat], axis=-1) for x, y in ((start, low), (stop, low), (stop, high), (start, high))
    )
    quads = np.stack([np.stack([a, b, c], axis=1), np.stack([a, c, d], axis=1)], axis=1).reshape(-1, 3, 3)
    return [
        faces(quads, np.repeat(colours, 2, axis=0)),
        lines(np.stack([a, d], axis=1), colours, _EDGE_PX),
    ]


def _draw() -> None:
    context = bpy.context
    space, view = context.space_data, View.of(context)
    if view is None or space is None or space.type != "DOPESHEET_EDITOR":
        return
    if hasattr(space, "overlays") and not space.overlays.show_overlays:  # Blender 4.5 has no such switch
        return
    kept = lanes_of(view, context.region.height)
    if not kept.bars:
        return
    kept.batches = kept.batches or (Batches(_back_of(kept)), Batches(strokes_of(kept)))
    zero, each = _across(context.region)
    wide = Matrix.Diagonal((context.region.width, 1.0, 1.0, 1.0))
    in_time = Matrix.Translation((zero, 0.0, 0.0)) @ Matrix.Diagonal((each, 1.0, 1.0, 1.0))
    for batches, place in zip(kept.batches, (wide, in_time), strict=True):
        batches.draw({"WORLD": place}, kept.scale)
    write(_texts(view, kept, zero, each), kept.scale)


def _back_of(kept: Lanes) -> list[Stroke]:
    """A shade under all lanes, one wide."""
    low, high = min(low for low, _ in kept.ends.values()), max(high for _, high in kept.ends.values())
    corners = np.array([[0, low, 0], [1, low, 0], [1, high, 0], [0, high, 0]])
    return [faces(corners[[[0, 1, 2], [0, 2, 3]]], _SHADE)]


def _texts(view: View, kept: Lanes, zero: float, each: float) -> Iterator[tuple[str, float, float, Colour]]:
    """What each lane holds at the left, and what is in bars that have room for it."""
    plain, width = text_colour(view.context), view.context.region.width
    least = (1 - _GAP_SHARE) * _MIN_LANE_PX * kept.scale
    names = {lane: say(lane) for lane in kept.ends}
    named = [lane for lane, (low, high) in kept.ends.items() if high - low > least - 0.5]
    for bar in kept.bars:
        if not bar.text or bar.lane not in named:
            continue
        left, right = zero + each * bar.start, zero + each * bar.stop
        right = max(right, left + _MOMENT_PX * kept.scale * (bar.start == bar.stop))
        left = max(left, (len(names[bar.lane]) + 1) * _LETTER_PX * kept.scale)  # beside the name of the lane
        room = right - left
        if left < width and len(bar.text) * _LETTER_PX * kept.scale < room:
            yield bar.text, left + 3 * kept.scale, kept.ends[bar.lane][0] + _BASE_PX, plain
    for lane in named:
        yield names[lane], 4 * kept.scale, kept.ends[lane][0] + _BASE_PX, plain
