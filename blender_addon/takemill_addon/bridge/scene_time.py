"""The one time formula: seconds = frame / (fps / fps_base).

Blender's scene rate is a fraction (30 over 1.001 is 29.97 frames per second). Multiplying by the base
instead of dividing by it is an easy mistake and 0.2 % of every clip.
"""

from __future__ import annotations

import math

import bpy

_WHOLE = 1e-4  # keys lie in float32: a frame this near to a whole one is meant to be whole


def frame_rate(scene: bpy.types.Scene) -> float:
    """Frames per second of `scene`."""
    return scene.render.fps / scene.render.fps_base


def seconds(frame: float, rate: float) -> float:
    """Where frame number `frame` lies, in seconds."""
    return frame / rate


def whole_frames(first: float, last: float) -> range:
    """The whole frames within `first` to `last`, both ends included (the range's stop is one more)."""
    return range(math.ceil(first - _WHOLE), math.floor(last + _WHOLE) + 1)
