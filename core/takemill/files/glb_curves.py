"""The channels of a GLB's animation that move nodes, and what they play at any moment.

Sources: glTF 2.0 specification (Khronos, 2021), section 3.11 (animations) and appendix C (interpolation).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..maths import quat, series
from .glb_format import Document, Json, entries
from .glb_numbers import Numbers

_WXYZ = [3, 0, 1, 2]  # our order of a quaternion, from glTF's
# Components by what is moved (glTF 2.0, section 3.11).
_WIDTHS = {"translation": 3, "rotation": 4, "scale": 3}
_NEAR_KEY = 0.01  # steps between keys: a frame as near to one is meant to be it; times are float32


class Curve(NamedTuple):
    """A channel: keys at seconds (N,), ascending, values (N, W), slopes of cubic ones (N, 2, W)."""

    times: Array
    values: Array
    slopes: Array | None
    steps: bool


def curves_of(document: Document, read: Numbers, animation: Json, name: str) -> dict[tuple[int, str], Curve]:
    """The channels of nodes, by node and path."""
    nodes, samplers = entries(document.json, "nodes"), entries(animation, "samplers")
    out: dict[tuple[int, str], Curve] = {}
    for channel in entries(animation, "channels"):
        target, number = channel.get("target"), channel.get("sampler")
        if not isinstance(target, dict) or type(number) is not int or not 0 <= number < len(samplers):
            raise GlbError(f"malformed: a channel of animation {name!r} has no target or no sampler")
        node, path = target.get("node"), target.get("path")
        if node is None or path not in _WIDTHS:
            continue  # what extensions or morph targets move
        if type(node) is not int or not 0 <= node < len(nodes):
            raise GlbError(f"malformed: animation {name!r} moves a node that is not there")
        place = f"animation {name!r}, {path} of {nodes[node].get('name', '')!r}"
        out[node, path] = _curve(read, samplers[number], _WIDTHS[path], place)
    return out


def _curve(read: Numbers, sampler: Json, width: int, place: str) -> Curve:
    kind = sampler.get("interpolation", "LINEAR")
    times, values = read.of(sampler.get("input")), read.of(sampler.get("output"))
    count = len(times)
    per_key = 3 if kind == "CUBICSPLINE" else 1
    if kind not in ("LINEAR", "STEP", "CUBICSPLINE"):
        raise GlbError(f"malformed: {place} has an unknown interpolation {kind!r}")
    if times.shape[1] != 1 or values.shape != (per_key * count, width):
        raise GlbError(f"malformed: {place} has {count} times for {len(values)} values")
    times = times[:, 0]
    if (np.diff(times) <= 0).any():
        raise GlbError(f"malformed: the times of {place} do not increase")
    slopes = None
    if kind == "CUBICSPLINE":
        slopes, values = np.stack([values[0::3], values[2::3]], axis=1), values[1::3]
    if width == 4:
        if (quat.length(values) < 0.1).any():
            raise GlbError(f"{place}: a key is no rotation; export it again")
        values = values[:, _WXYZ]
        if slopes is None:
            values = quat.continuous(quat.normalize(values))
        else:
            slopes = slopes[..., _WXYZ]
    return Curve(times, values, slopes, kind == "STEP")


def played(curve: Curve, seconds: Array) -> Array:
    """Values (F, W) at seconds (F,); rotations unit, w x y z."""
    times, values = curve.times, curve.values
    if len(times) == 1:
        return np.repeat(values, len(seconds), axis=0)
    low = np.clip(np.searchsorted(times, seconds, side="right") - 1, 0, len(times) - 2)
    step = times[low + 1] - times[low]
    part = np.clip((seconds - times[low]) / step, 0.0, 1.0)
    part = np.where(part < _NEAR_KEY, 0.0, np.where(part > 1 - _NEAR_KEY, 1.0, part))
    if curve.steps:
        return values[low + (part == 1.0)]
    if curve.slopes is None:
        sample = series.sample_rotations if values.shape[1] == 4 else series.sample_vectors
        return sample(values, low + part)
    t, length = part[:, None], step[:, None]
    mixed = (
        (2 * t**3 - 3 * t**2 + 1) * values[low]
        + length * (t**3 - 2 * t**2 + t) * curve.slopes[low, 1]
        + (3 * t**2 - 2 * t**3) * values[low + 1]
        + length * (t**3 - t**2) * curve.slopes[low + 1, 0]
    )
    return quat.normalize(mixed) if values.shape[1] == 4 else mixed
