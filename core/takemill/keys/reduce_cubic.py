"""Cubic curves through keys, as glTF's CUBICSPLINE plays them (glTF 2.0, appendix C.5).

Components come first. Each span has slopes of its own at both its keys, so that one of a single frame can be
straight. Rotations are brought to unit length after the curve.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Index, Mask
from ..maths.easing import smoothstep
from . import reduce_planes as planes
from .key_times import Spans, halve_spans, neighbours, spans_of
from .reduce_planes import Planes

# How much slopes are held to the straight line, against the squares of the frames between. Trial: a third
# less makes cubic keys 9 % smaller, half as much again 12 % larger (sensitivity_keys.py).
_STRAIGHTNESS_WEIGHT = 0.01
_MAX_SPAN_FRAMES = 128  # as the longest of key_times.py; trial: with 85 cubic keys take 34 % fewer bytes


def slopes(curves: Planes, values: Planes, spans: Spans, last: Mask) -> Planes:
    """Slopes (2, D, K), towards and away from keys, per frame, so that the frames between are met best.

    Args:
        curves: (D, N), flat.
        values: (D, K) at the keys.
        spans: the keys.
        last: (K,) keys that end a clip.
    """
    length = np.diff(spans.keys).astype(values.dtype)
    out = np.zeros((2, *values.shape), values.dtype)
    out[0, :, 1:] = out[1, :, :-1] = np.where(last[:-1], 0, np.diff(values, axis=1) / length)
    if not len(spans.inside):
        return out
    low, part = spans.low, spans.part
    gap = curves[:, spans.inside] - (values[:, low] * (1 - part) + values[:, low + 1] * part)
    away, towards = _slope_parts(spans)
    first = np.flatnonzero(np.diff(low, prepend=-1))
    span = low[first]
    a, b, c = (np.add.reduceat(one, first) for one in (away * away, away * towards, towards * towards))
    right, left = (np.add.reduceat(gap * one, first, axis=1) for one in (away, towards))
    tied = _STRAIGHTNESS_WEIGHT * (a + c)
    a, c = a + tied, c + tied
    whole = a * c - b * b
    out[1][:, span] += (right * c - left * b) / whole
    out[0][:, span + 1] += (left * a - right * b) / whole
    return out


def play_cubic(values: Planes, steep: Planes, spans: Spans, size: int) -> Planes:
    """What keys with values (D, K) and slopes (2, D, K) play on all N = `size` frames (D, N)."""
    out = np.empty((len(values), size), values.dtype)
    out[:, spans.keys] = values
    away, towards = _slope_parts(spans)
    late = smoothstep(spans.part)
    a, b = values[:, spans.low], values[:, spans.low + 1]
    between = a + (b - a) * late + steep[1][:, spans.low] * away + steep[0][:, spans.low + 1] * towards
    out[:, spans.inside] = planes.unit(between) if len(values) == 4 else between
    return out


def wide_keys(curves: Planes, allowed: Planes, last: Index) -> Mask:
    """Keys (C, T), as few as halving finds, whose cubic curves lie near enough.

    Args:
        curves: (D, C, T) unit quaternions or places.
        allowed: (C, T) how far they may lie off, radians or metres.
        last: (T,) the last frame of each frame's clip.
    """
    width, count, frames = curves.shape
    numbers = np.arange(frames)
    first = np.searchsorted(last, last)  # the first frame with the same last one
    keys = np.tile(((numbers - first) % _MAX_SPAN_FRAMES == 0) | (numbers == last), (count, 1))
    flat = curves.reshape(width, -1)
    # Between frames the motion is straight, and a curve through frames leaves it by an eighth of its bend.
    bend = np.zeros((count, frames), curves.dtype)
    second = curves[..., 2:] - 2 * curves[..., 1:-1] + curves[..., :-2]
    bend[:, 1:-1] = np.sqrt(planes.dot(second, second)) * (width - 2 if width == 4 else 1) / 8
    room = np.maximum(allowed - bend, 0)
    while count:
        spans = spans_of(keys)
        values, at = flat[:, spans.keys], spans.keys % frames
        end = at == last[at]
        found = play_cubic(values, slopes(flat, values, spans, end), spans, flat.shape[1]).reshape(
            curves.shape
        )
        gap = planes.error(found, curves) if width == 4 else found - curves
        more = halve_spans(keys, np.sqrt(planes.dot(gap, gap)) > room)
        if (more == keys).all():
            break
        keys = more
    return keys


def lengths(keys: Mask) -> Index:
    """How long (C, T) the span of keys (C, T) is that each frame lies in, or begins with it; frames."""
    frames = keys.shape[1]
    last, after = neighbours(keys)
    following = np.concatenate([after[:, 1:], np.full((len(keys), 1), frames - 1)], axis=1)
    return following - last


def _slope_parts(spans: Spans) -> tuple[Planes, Planes]:
    """What a slope of one adds (N,) on the way from its key, and on the way to it."""
    t = spans.part
    length = (spans.keys[spans.low + 1] - spans.keys[spans.low]).astype(t.dtype)
    return length * t * (1 - t) ** 2, length * t * t * (t - 1)
