"""The one time formula: seconds = frame / (fps / fps_base).

Blender's scene rate is a fraction (30 over 1.001 is 29.97 frames per second). Multiplying by the base
instead of dividing by it is an easy mistake and 0.2 % of every clip.
"""

from __future__ import annotations

import math

import bpy

_MAX_WHOLE_OFF_FRAMES = 1e-4  # keys lie in float32: a frame this near to a whole one is meant to be whole


def frame_rate(scene: bpy.types.Scene) -> float:
    """Frames per second of `scene`."""
    return scene.render.fps / scene.render.fps_base


def set_frame_rate(scene: bpy.types.Scene, rate: float) -> None:
    """Let `scene` play `rate` frames per second."""
    scene.render.fps = max(round(rate), 1)
    scene.render.fps_base = scene.render.fps / rate


def set_range(scene: bpy.types.Scene, start: int, length_s: float) -> None:
    """Let `scene` play from frame `start` on for so many seconds at its rate, to a whole frame."""
    scene.frame_start = start
    scene.frame_end = start + max(math.ceil(length_s * frame_rate(scene) - _MAX_WHOLE_OFF_FRAMES), 0)


def seconds(frame: float, rate: float) -> float:
    """Where frame number `frame` lies, in seconds."""
    return frame / rate


def whole_frames(first: float, last: float) -> range:
    """The whole frames within `first` to `last`, both ends included (the range's stop is one more)."""
    return range(math.ceil(first - _MAX_WHOLE_OFF_FRAMES), math.floor(last + _MAX_WHOLE_OFF_FRAMES) + 1)
