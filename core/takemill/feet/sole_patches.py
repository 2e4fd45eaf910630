"""What of a sole touches the floor, from frame to frame: a patch at its heel end and one at its ball end.

The material of these patches is what slides or stands. A round heel rolls over ever other vertices, none of
which slides though the point that stands for the heel moves on; toes that lie flat stand while the foot turns
above them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.posed import Posed
from ..maths import quat
from .sole_mesh import rest_points, rows_below, vertex_places
from .soles import sole_offsets

# Leg lengths over the lowest vertex, by which another counts a third in a patch.
_PATCH_LEGS = 0.001


@dataclass(frozen=True)
class SolePatches:
    """The patches of one sole, heel end and ball end; metres.

    Attributes:
        steps: (F - 1, 2, 2) how each goes over the floor from frame to frame.
        height: (F, 2) the lowest point of each, in model space.
        share: (F - 1, 2) how far ahead each lies: 0 at the heel, 1 at the ball.
        seen: a mesh shows them; else they are heel and ball, and the sole is a line between.
    """

    steps: Array
    height: Array
    share: Array
    seen: bool = False

    def scaled(self, along: float, up: float) -> SolePatches:
        """Those of a body so many times as large, along the floor and above it."""
        return replace(self, steps=along * self.steps, height=up * self.height)


def sole_patches(posed: Posed, body: BodyMap, foot: str) -> SolePatches:
    """The patches of a mapped foot's sole, by its mesh; heel and ball themselves where none is known."""
    skeleton, joint = posed.motion.skeleton, body.require(foot)
    offsets = sole_offsets(skeleton, body)[body.feet.index(foot)]
    turned, place = posed.at(joint)
    line = place[:, None] + quat.rotate(turned[:, None], offsets)
    ends = [(np.moveaxis(line[:, [n]], 2, 0), np.array([float(n)])) for n in range(2)]
    rows = rows_below(skeleton, skeleton.subtree(joint))
    if len(rows):
        rotations, positions = skeleton.reference_model
        heel, ball = positions[joint] + quat.rotate(rotations[joint], offsets)
        along = (rest_points(skeleton, rows) - heel) @ (ball - heel) / np.sum((ball - heel) ** 2)
        places = vertex_places(posed, rows)
        for n, group in enumerate((along <= 0.5, along > 0.5)):
            if group.any():
                ends[n] = places[:, :, group], along[group]
    width = _PATCH_LEGS * leg_length(skeleton, body)
    patches = [_patch(places, along, width) for places, along in ends]
    steps, height, share = (np.stack(part, axis=1) for part in zip(*patches, strict=True))
    return SolePatches(steps, height, share, bool(len(rows)))


def _patch(places: Array, along: Array, width: float) -> tuple[Array, Array, Array]:
    """Steps (F - 1, 2), heights (F,) and shares (F - 1,) of the lowest of vertices at places (3, F, V)."""
    height = places[2]
    if len(along) == 1:
        steps = np.diff(places[:2, :, 0], axis=1).T
        return steps, height[:, 0], np.broadcast_to(along, len(steps))
    over = np.maximum(height[1:], height[:-1])
    weight = np.exp(-(over - over.min(axis=1, keepdims=True)) / width)
    weight /= weight.sum(axis=1, keepdims=True)
    each = [np.einsum("fv,fv->f", np.diff(axis, axis=0), weight) for axis in places[:2]]
    return np.stack(each, axis=-1), height.min(axis=1), weight @ along
