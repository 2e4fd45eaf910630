"""What a BVH file leaves open: its unit, its up axis and the exact rate. Guesses, from the text alone."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..base.errors import BodyMapError
from ..body.body_map import find_body_map
from ..body.skeleton import Skeleton
from ..maths import quat
from .bvh_text import BvhText

# Height of a standing body in file units -> metres per unit. A body is 0.8 to 3 m high in the usual units,
# 1 to 2.5 m in the rarer ones. Rule of thumb, no source; 0.45 inch is the unit of length in the skeleton
# files of the CMU motion capture database (mocap.cs.cmu.edu, frequently asked questions; from memory).
_UNITS = (
    (0.8, 3.0, 1.0),
    (4.0, 8.0, 0.3048),
    (10.0, 22.0, 0.1),
    (22.0, 45.0, 0.0254 / 0.45),
    (45.0, 84.0, 0.0254),
    (84.0, 300.0, 0.01),
    (800.0, 3000.0, 0.001),
)
_USUAL_HEIGHT_M = 1.7
_USUAL_RATES = (30, 60, 120, 24, 25, 50, 100, 240, 90, 48, 72, 144, 150, 180, 200)
_TELEVISION_RATES = tuple(rate / 1.001 for rate in (30, 60, 24, 120, 240))
_LARGEST_BODY = 1000  # joints; beyond it the search for body parts is not worth its time here


def guess_rate(frame_time: str) -> float:
    """Frames per second: the usual rate that the digits of a "Frame Time" may stand for, else 1 / time."""
    seconds = float(frame_time)
    mantissa, _, exponent = frame_time.lower().partition("e")
    digits = len(mantissa.partition(".")[2]) - int(exponent or 0)
    slack = min(max(10.0**-digits, 1e-9 * seconds), 0.01 * seconds)  # the last digit: rounded or cut off
    for rate in (*_USUAL_RATES, *_TELEVISION_RATES, max(round(1 / seconds), 1)):
        if abs(seconds - 1 / rate) <= slack:
            return float(rate)
    return 1 / seconds


def guess_unit(text: BvhText, up: str) -> float:
    """Metres per file unit, from the height of the skeleton at rest."""
    extents = np.ptp(_rest_points(text), axis=0)
    height = float(extents["XYZ".index(up)])
    if height < 0.3 * extents.max():  # it does not stand at rest: take its longest side
        height = float(extents.max())
    for low, high, unit in _UNITS:
        if low <= height < high:
            return unit
    if not height:
        return 0.01
    return min((1.0, 0.01, 0.001), key=lambda unit: abs(np.log(height * unit / _USUAL_HEIGHT_M)))


def guess_up(text: BvhText) -> str:
    """The file's up axis, "Y" or "Z": that along which the hips stand higher above the feet.

    Without a body in it, the axis along which the skeleton reaches farther; Y when both are equal.
    """
    rise = {up: _rise(text, up) for up in "YZ"}
    if max(rise.values()) == -np.inf:
        reach = np.ptp(_rest_points(text), axis=0)
        rise = {"Y": reach[1], "Z": reach[2]}
    return "Y" if rise["Y"] >= rise["Z"] else "Z"


def _rise(text: BvhText, up: str) -> float:
    """How far the hips stand above the feet along an axis, file units; -inf when no body stands that way."""
    if len(text.names) > _LARGEST_BODY:
        return -np.inf
    axes = [0, 2, 1] if up == "Y" else [0, 1, 2]
    sign = np.array([1.0, -1.0 if up == "Y" else 1.0, 1.0])
    offsets, ends = np.array(text.offsets), np.array([offset for _, offset in text.ends]).reshape(-1, 3)
    skeleton = Skeleton(
        tuple(text.names),
        tuple(text.parents),
        offsets[:, axes] * sign,
        np.broadcast_to(quat.IDENTITY, (len(offsets), 4)),
        tuple(joint for joint, _ in text.ends),
        ends[:, axes] * sign,
    )
    try:
        body = find_body_map(skeleton)
    except BodyMapError:
        return -np.inf
    height = skeleton.reference_model[1][:, 2]
    return float(height[body.require("hips")] - np.mean([height[body.require(foot)] for foot in body.feet]))


def _rest_points(text: BvhText) -> Array:
    """Joints, then end sites, at rest (N, 3), in file units and axes."""
    at = np.array(text.offsets)
    for joint, parent in enumerate(text.parents):
        if parent >= 0:
            at[joint] += at[parent]
    ends = [at[joint] + offset for joint, offset in text.ends]
    return np.concatenate([at, np.array(ends).reshape(-1, 3)])
