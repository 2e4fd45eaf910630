"""The text of a BVH file as a motion, in given axes and unit.

A BVH skeleton has no rest rotations, so a motion that is read has the identity for them. Position channels
are absolute values: they replace the OFFSET. A joint that has them and rests on its parent (an OFFSET of
zeros) has its bone where they put it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..maths import quat
from ..maths.axes import turns_to_z_up
from .bvh_layout import POSITIONS, ROTATIONS, BvhLayout
from .bvh_text import BvhText

_MAX_ROUNDING = 1e-9  # metres and radians that a file's digits cannot hold
_MAX_STILL_M = 1e-6  # a bone that moves by less does not move: a file's digits end there


def motion_of(text: BvhText, layout: BvhLayout, rate: float) -> tuple[Motion, BvhLayout]:
    """The motion of a text, Z-up in metres as the layout has it; and the layout, with OFFSETs of zeros."""
    tips = sorted((tip for tip in text.ends if any(tip[1])), key=lambda tip: tip[0])
    rest = layout.to_model(np.array(text.offsets))
    rotations = np.empty((len(text.values), len(text.names), 4))
    tracks: dict[int, Array] = {}
    nothing: list[int] = []
    column = 0
    for joint, channels in enumerate(text.channels):
        values = text.values[:, column : column + len(channels)]
        column += len(channels)
        rotations[:, joint] = _rotations(values, channels, layout.up)
        if joint and not any(name in POSITIONS for name in channels):
            continue
        place = np.tile(np.array(text.offsets[joint]), (len(values), 1))
        for part, name in enumerate(channels):
            if name in POSITIONS:
                place[:, POSITIONS.index(name)] = values[:, part]
        track = layout.to_model(place)
        if joint and text.parents[joint] >= 0 and not any(text.offsets[joint]) and track.any():
            nothing.append(joint)
            rest[joint] = np.median(track, axis=0)
            if np.ptp(track, axis=0).max() <= _MAX_STILL_M:
                continue
        if joint == 0 or np.abs(track - rest[joint]).max() > _MAX_ROUNDING:
            tracks[joint] = track
    skeleton = Skeleton(
        tuple(text.names),
        tuple(text.parents),
        rest,
        np.broadcast_to(quat.IDENTITY, (len(text.names), 4)),
        tuple(joint for joint, _ in tips),
        layout.to_model(np.array([offset for _, offset in tips]).reshape(-1, 3)),
    )
    text.values = np.zeros((0, 0))  # a long take's numbers are not needed any more, and large
    zeros = tuple((joint, (0.0, 0.0, 0.0)) for joint in nothing)
    return Motion(skeleton, rate, rotations, tracks.pop(0), tracks), replace(
        layout, offsets=zeros, notes=tuple(text.notes)
    )


def some_frames(text: BvhText, most: int) -> BvhText:
    """The same file with at most so many of its frames, evenly over the take."""
    count = len(text.values)
    rows = np.unique(np.linspace(0, max(count - 1, 0), min(most, count)).round().astype(np.intp))
    return replace(text, values=text.values[rows])


def _rotations(values: Array, channels: tuple[str, ...], up: str) -> Array:
    """Degrees (F, C) -> (F, 4): the turns of the rotation channels, the first named applied last."""
    q = np.broadcast_to(quat.IDENTITY, (len(values), 4))
    for part, name in enumerate(channels):
        if name in ROTATIONS:
            half = np.radians(values[:, part]) / 2
            turn = np.zeros((len(values), 4))
            turn[:, 0], turn[:, 1 + ROTATIONS.index(name)] = np.cos(half), np.sin(half)
            q = quat.mul(q, turn)
    return turns_to_z_up(q, up)
