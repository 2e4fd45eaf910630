"""Whether the keys of an Action are those that something was made from: a short text that tells them."""

from __future__ import annotations

import time
import zlib
from collections.abc import Iterator

import bpy
import numpy as np

from ..scene.steps import Steps, drain, stepwise

_SLICE_S = 0.004  # of a redraw that goes into looking at keys, of which a long take has millions
_REST_S = 0.5  # between two looks at the same Action


@stepwise
def keys_of(action: bpy.types.Action) -> Steps[str]:
    """The text of an Action's keys as they are now."""
    found = 0
    for value in _through(action):
        found = value
        yield None
    return f"{found:08x}"


def last_keys(action: bpy.types.Action) -> str:
    """The same as it was found last, for panels: looked for in slices, one at each redraw; "" at first."""
    if bpy.app.background:
        return drain(keys_of.steps(action))
    uid = action.session_uid
    known, going, since = _LOOKS.get(uid, ("", None, 0.0))
    if going is None and time.monotonic() - since < _REST_S:
        return known
    going, value, end = going or _through(action), 0, time.monotonic() + _SLICE_S
    while time.monotonic() < end:
        try:
            value = next(going)
        except StopIteration:
            known, going = f"{_LAST.get(uid, 0):08x}", None
            break
        except ReferenceError:  # it was removed, or undo has brought another in its place
            going = None
            break
        _LAST[uid] = value
    _LOOKS[uid] = (known, going, time.monotonic())
    return known


_LOOKS: dict[int, tuple[str, Iterator[int] | None, float]] = {}
_LAST: dict[int, int] = {}


def _through(action: bpy.types.Action) -> Iterator[int]:
    """A checksum that takes in one F-curve after the other."""
    value = 0
    for layer in action.layers:
        for strip in layer.strips:
            for bag in strip.channelbags:
                for curve in bag.fcurves:
                    points = curve.keyframe_points
                    buffer = np.empty(2 * len(points), np.float32)
                    points.foreach_get("co", buffer)
                    value = zlib.crc32(buffer.tobytes(), zlib.crc32(curve.data_path.encode(), value))
                    yield value
