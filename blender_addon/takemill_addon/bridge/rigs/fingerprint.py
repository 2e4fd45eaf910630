"""Whether the keys of an Action are those that something was made from: a short text that tells them."""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import islice

import bpy
import numpy as np

from ..scene.steps import Steps, drain, stepwise

_SLICE_S = 0.004  # of a redraw that goes into looking at keys, of which a long take has millions
_REST_S = 0.5  # between two looks at the same Action
_CURVES = 8  # of a step


@stepwise
def keys_of(action: bpy.types.Action) -> Steps[str]:
    """The text of an Action's keys as they are now."""
    taken, value = 0, 0
    while some := list(islice(_through(action, taken, value), _CURVES)):
        taken, value = taken + len(some), some[-1]
        yield None
    return f"{value:08x}"


@dataclass
class _Look:
    """A look at an Action's keys that goes on from redraw to redraw.

    It holds nothing of Blender's: an undo between two redraws frees F-curves, and who still held one would
    read freed memory.
    """

    known: str = ""
    taken: int = 0
    value: int = 0
    since: float = 0.0


_LOOKS: dict[int, _Look] = {}


def last_keys(action: bpy.types.Action) -> str:
    """The same as it was found last, for panels: looked for in slices, one at each redraw; "" at first."""
    if bpy.app.background:
        return drain(keys_of.steps(action))
    look, now = _LOOKS.setdefault(action.session_uid, _Look()), time.monotonic()
    if look.taken == 0 and now - look.since < _REST_S:
        return look.known
    for value in _through(action, look.taken, look.value):
        look.taken, look.value = look.taken + 1, value
        if time.monotonic() - now > _SLICE_S:
            break
    else:
        look.known, look.taken, look.value = f"{look.value:08x}", 0, 0
    look.since = time.monotonic()
    return look.known


def _through(action: bpy.types.Action, taken: int, value: int) -> Iterator[int]:
    """A checksum that takes in one F-curve after the other, from one with `taken` of them on."""
    curves = (
        curve
        for layer in action.layers
        for strip in layer.strips
        for bag in strip.channelbags
        for curve in bag.fcurves
    )
    for curve in islice(curves, taken, None):
        points = curve.keyframe_points
        buffer = np.empty(2 * len(points), np.float32)
        points.foreach_get("co", buffer)
        value = zlib.crc32(buffer.tobytes(), zlib.crc32(curve.data_path.encode(), value))
        yield value
