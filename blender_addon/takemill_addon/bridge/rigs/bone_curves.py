"""The F-curves of bones as arrays: what they say on each frame, read in bulk where they have keys there."""

from __future__ import annotations

from typing import NamedTuple

import bpy
import numpy as np
from numpy.typing import NDArray

from takemill.base.checks import Array, Index
from takemill.base.errors import InputError

from ..scene import actions
from ..scene.steps import Steps, apart, stepwise
from . import rotation_modes
from .rig import Rig

_MAX_SCALE_OFF = 1e-4  # from 1, of a bone that counts as not scaled (chosen by eye)
_BATCH_KEYS = 1 << 18  # keys that are looked at together; they stay in the processor's cache
_BATCH_FRAMES = 8192  # of one curve that are evaluated between two places to wait: 10 ms


class BoneCurve(NamedTuple):
    """An F-curve with keys, and the bone and property that its data path names."""

    curve: bpy.types.FCurve
    bone: str
    property: str


class Channels(NamedTuple):
    """What the F-curves say on each frame, unkeyed channels as they are now.

    location (F, J, 3); rotation (F, J, 4) in each bone's own mode; scaled (N,) bones with a scale.
    """

    location: Array
    rotation: Array
    scaled: Index


def bone_curves(bag) -> list[BoneCurve]:
    """The F-curves of bones in a channelbag; those without keys say nothing and are left out."""
    found = [(curve, actions.bone_channel(curve.data_path)) for curve in bag.fcurves]
    return [BoneCurve(curve, *names) for curve, names in found if names and not curve.is_empty]


@stepwise
def read_channels(rig: Rig, curves: list[BoneCurve], frames: range) -> Steps[Channels]:
    """The bones' channels on whole frames, from all F-curves that Blender would play.

    Raises:
        InputError: a key holds no finite number.
    """
    place = {name: index for index, name in enumerate(rig.names)}
    paths = [rotation_modes.path_of(mode) for mode in rig.modes]
    channels = yield from apart(_unkeyed, rig, len(frames))
    wanted: dict[tuple[str, int], list[tuple[bpy.types.FCurve, int, int]]] = {}
    for curve, name, path in curves:
        bone = place.get(name)
        if bone is None:
            continue
        kind = "rotation" if path == paths[bone] else path  # curves of another rotation mode play nothing
        if kind in channels:
            row = (curve, bone, curve.array_index)
            wanted.setdefault((kind, len(curve.keyframe_points)), []).append(row)
    done = 0
    for (kind, count), rows in wanted.items():
        for start in range(0, len(rows), step := max(_BATCH_KEYS // count, 1)):
            some, bones, components = zip(*rows[start : start + step], strict=True)
            values = yield from _values(some, count, frames)
            channels[kind][:, bones, components] = values.T
            done += len(some)
            yield done / len(curves)
    return (yield from apart(_checked, rig, channels))


def _unkeyed(rig: Rig, frames: int) -> dict[str, Array]:
    """The channels as they are now, on all frames."""
    now = {"location": rig.location, "rotation": rig.rotation_values, "scale": rig.scale}
    return {kind: np.repeat(values[None], frames, axis=0) for kind, values in now.items()}


def _checked(rig: Rig, channels: dict[str, Array]) -> Channels:
    """The channels, all of them numbers, and the bones that are scaled."""
    location, rotation, scale = channels.values()
    if not (np.isfinite(location).all() and np.isfinite(rotation).all()):
        bad = ~(np.isfinite(location).all(axis=(0, 2)) & np.isfinite(rotation).all(axis=(0, 2)))
        raise InputError(f"bone {rig.names[int(np.argmax(bad))]!r}: one of its keys holds no number")
    return Channels(
        location, rotation, np.flatnonzero((np.abs(scale - 1) > _MAX_SCALE_OFF).any(axis=0).any(axis=1))
    )


def _values(curves: tuple[bpy.types.FCurve, ...], count: int, frames: range) -> Steps[NDArray[np.float32]]:
    """What C curves of `count` keys each say on whole frames (C, F).

    Their keys as they are where there is one on each frame; otherwise as Blender interpolates them.
    """
    keys = np.empty((len(curves), count, 2), np.float32)
    for curve, buffer in zip(curves, keys.reshape(len(curves), -1), strict=True):
        curve.keyframe_points.foreach_get("co", buffer)
    wanted = np.arange(frames.start, frames.stop, dtype=np.float32)
    first = int(keys[0, :, 0].searchsorted(wanted[0]))
    out = keys[:, first : first + len(wanted), 1]
    if out.shape[1] == len(wanted):
        keyed = (keys[:, first : first + len(wanted), 0] == wanted).all(axis=1)
    else:
        out, keyed = np.empty((len(curves), len(wanted)), np.float32), np.zeros(len(curves), bool)
    for row in np.flatnonzero(~keyed):
        for start in range(0, len(wanted), _BATCH_FRAMES):
            part = wanted[start : start + _BATCH_FRAMES]
            out[row, start : start + len(part)] = [curves[row].evaluate(frame) for frame in part]
            yield None
    return out
