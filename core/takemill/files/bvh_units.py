"""What a BVH file leaves open: its unit, its up axis and the exact rate. Guesses, from the text alone."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..base.errors import BodyMapError
from ..body.body_parts import BodyMap
from ..body.intake import MAX_HEIGHT_M
from ..body.upright import SAMPLES, body_height, find_stance
from .bvh_layout import BvhLayout
from .bvh_motion import motion_of, some_frames
from .bvh_text import BvhText

# Height of a standing body in file units -> metres per unit, of the rarer units: 0.9 to 2.6 m tall. What lies
# outside is in metres, centimetres or millimetres. Rule of thumb, no source; 1 inch / 0.45 is the unit of
# length in the skeleton files of the CMU motion capture database, which dm-control 1.0.50 reads by
# CONVERSION_LENGTH = 0.056444 (suite/utils/parse_amc.py; Apache-2.0).
_RARE_UNITS_BY_HEIGHT = (
    (3.3, 8.5, 0.3048),
    (8.5, 22.0, 0.1),
    (22.0, 37.0, 0.0254 / 0.45),
    (37.0, 84.0, 0.0254),
)
_USUAL_HEIGHT_M = 1.7  # of an adult (common knowledge, no source)
# Frames a second of suits, cameras and engines, the most usual first; and NTSC's, 1/1.001 of them (SMPTE 12).
# 25, 48 and 50 need no entry: whatever differs from them by a hundredth at most is rounded to them.
_USUAL_RATES = (30, 60, 120, 24, 100, 240, 90, 72, 144, 150, 180, 200)
_TELEVISION_RATES = tuple(rate / 1.001 for rate in (30, 60, 24, 120, 240))


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


def guess_axes(text: BvhText) -> tuple[str, float, BodyMap | None]:
    """The file's up axis and metres per unit, by how its body stands and how tall it is; and that body.

    Without a body in it, the axis along which the skeleton reaches farther at rest, Y when both are equal,
    and the unit in which that is nearest to a body's height.
    """
    frames = some_frames(text, SAMPLES)
    if not len(frames.values):
        frames.values = np.zeros((1, sum(map(len, text.channels))))
    as_it_is = BvhLayout(tuple(text.channels), 1.0, "Z")
    motion, _ = motion_of(frames, as_it_is, 1.0)
    try:
        stance = find_stance(motion)
    except BodyMapError:
        reach = np.ptp(_rest_points(text), axis=0)
        up = "Y" if reach[1] >= reach[2] else "Z"
        return up, unit_of(float(reach.max())), None
    return stance.up, unit_of(body_height(motion.skeleton, stance.body)), stance.body


def unit_of(height: float) -> float:
    """Metres per unit of a body that is so many units tall."""
    for low, high, unit in _RARE_UNITS_BY_HEIGHT:
        if low <= height < high:
            return unit
    if not height:
        return 0.01
    return min((1.0, 0.01, 0.001), key=lambda unit: abs(np.log(height * unit / _USUAL_HEIGHT_M)))


def doubtful_unit(height: float) -> str:
    """What to say of a body, so many file units tall, that is as likely in another unit; "" where none is.

    A giant in metres and a child or dwarf in feet have the same numbers. Motion does not tell them apart: a
    take that was scaled up falls and steps, for its size, as it did before.
    """
    low, high, unit_m = _RARE_UNITS_BY_HEIGHT[0]
    if not low <= height < min(high, MAX_HEIGHT_M):
        return ""
    return (
        f"its unit is taken for feet, which makes the body {height * unit_m:.2f} m tall; if it is metres, "
        f"and the body a giant of {height:.2f} m, say --unit-m 1"
    )


def _rest_points(text: BvhText) -> Array:
    """Joints, then end sites, at rest (N, 3), in file units and axes."""
    at = np.array(text.offsets)
    for joint, parent in enumerate(text.parents):
        if parent >= 0:
            at[joint] += at[parent]
    ends = [at[joint] + offset for joint, offset in text.ends]
    return np.concatenate([at, np.array(ends).reshape(-1, 3)])
