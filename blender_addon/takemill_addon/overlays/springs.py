"""Chains that swing, the balls at their bones' ends, and the colliders that push them."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from itertools import pairwise

import bpy
import numpy as np
from mathutils import Matrix, Vector

from takemill.base.checks import Array
from takemill.springs.springs_presets import PRESETS

from ..properties.springs import OWN
from .colours import colour
from .draw import Drawing, Overlay
from .strokes import Colour, Stroke, lines
from .view import View

_CORNERS = 24  # of a circle: round to the eye at the size of a head
_CHOSEN_PX, _OTHER_PX = 3.0, 1.5  # of what is chosen in the list, and of the others
_OTHER, _OFF = 0.7, 0.25  # how opaque others are, and chains that do not swing
_CHAIN = ("name", "use", "first", "last", "preset", "radius")
_COLLIDER = ("name", "bone", "radius", "capsule", "plane")
_PLANE_M = 0.25  # half of the side that is drawn of a plane, and the length of its normal


def _rings() -> Array:
    """The lines (N, 2, 3) of the three rings of a ball of radius 1, each around one of its axes."""
    angles = np.linspace(0, 2 * np.pi, _CORNERS + 1)
    out = np.zeros((3, len(angles), 3))
    for ring, (first, second) in enumerate(((0, 1), (1, 2), (2, 0))):
        out[ring, :, first], out[ring, :, second] = np.cos(angles), np.sin(angles)
    return np.stack([out[:, :-1], out[:, 1:]], axis=2).reshape(-1, 2, 3)


_BALL = _rings()


def _key(view: View) -> Hashable:
    kept = view.armature.takemill
    chains = tuple(tuple(getattr(one, name) for name in _CHAIN) for one in kept.chains)
    colliders = tuple(
        (*(getattr(one, name) for name in _COLLIDER), *one.offset, *one.tail, *one.normal)
        for one in kept.colliders
    )
    return view.frame, chains, colliders, kept.chain_index, kept.collider_index, *view.armature.scale


def _drawing(view: View) -> Drawing:
    kept, bones = view.armature.takemill, view.armature.pose.bones
    metre = 1 / max(view.armature.matrix_world.median_scale, 1e-9)
    strokes: list[Stroke] = []
    for number, chain in enumerate(kept.chains):
        chosen = number == kept.chain_index
        opaque = _OFF if not chain.use else 1.0 if chosen else _OTHER
        segments = [
            part for joint, end in ends_of(view.armature, chain) for part in _bone(chain, joint, end, metre)
        ]
        strokes += _stroke(segments, colour(view.settings, "chain", opaque), chosen)
    for number, one in enumerate(kept.colliders):
        if one.bone in bones:
            chosen = number == kept.collider_index
            tint = colour(view.settings, "collider", 1.0 if chosen else _OTHER)
            strokes += _stroke(_collider(one, bones[one.bone].matrix, metre), tint, chosen)
    return Drawing(strokes)


def ends_of(
    armature: bpy.types.Object, chain: bpy.types.PropertyGroup
) -> Iterator[tuple[bpy.types.PoseBone, Vector]]:
    """The bones of a chain, as it is kept, with where each one's swinging end lies, in armature space."""
    bones = armature.pose.bones
    run = [bones[chain.first]] if chain.first in bones else []
    if chain.last in bones:
        last = bones[chain.last]
        above = [last, *last.parent_recursive]
        run = above[above.index(run[0]) :: -1] if run and run[0] in above else []
    else:
        while run and len(run[-1].children) == 1:
            run.append(run[-1].children[0])
    for bone, below in zip(run, [*run[1:], None], strict=False):
        yield bone, below.head if below else bone.tail


def _bone(chain: bpy.types.PropertyGroup, bone: bpy.types.PoseBone, end: Vector, metre: float) -> list[Array]:
    """Lines (N, 2, 3) along a bone, and of the ball at its end."""
    length = (end - bone.head).length
    radius = metre * chain.radius if chain.preset == OWN else PRESETS[chain.preset].radius * length
    axes = bone.matrix.to_3x3().normalized()
    return [np.array([[bone.head, end]]), _ball(end, axes, radius)]


def _collider(one: bpy.types.PropertyGroup, matrix: Matrix, metre: float) -> list[Array]:
    """Lines (N, 2, 3): the rings of a ball, or of both ends of a capsule; a plane's edges and its normal."""
    axes, radius = matrix.to_3x3().normalized(), metre * one.radius
    first = matrix @ (metre * Vector(one.offset))
    if one.plane:
        size = metre * _PLANE_M
        turn = size * (axes @ Vector(one.normal)).to_track_quat("Z", "Y").to_matrix()
        corners = [first + turn @ Vector((x, y, 0)) for x, y in ((1, 1), (-1, 1), (-1, -1), (1, -1), (1, 1))]
        return [np.array([*pairwise(corners), (first, first + turn @ Vector((0, 0, 1)))])]
    if not one.capsule:
        return [_ball(first, axes, radius)]
    other = matrix @ (metre * Vector(one.tail))
    turn = axes
    if (other - first).length > 0:
        turn = (other - first).to_track_quat("Y", "Z").to_matrix()
    sides = [radius * turn @ Vector(side) for side in ((1, 0, 0), (-1, 0, 0), (0, 0, 1), (0, 0, -1))]
    shaft = np.array([(first + side, other + side) for side in sides])
    return [_ball(first, turn, radius), _ball(other, turn, radius), shaft]


def _ball(middle: Vector, axes: Matrix, radius: float) -> Array:
    """Three rings as lines (N, 2, 3)."""
    return np.array(middle) + radius * (_BALL @ np.array(axes).T)


def _stroke(segments: list[Array], tint: Colour, chosen: bool) -> list[Stroke]:
    if not segments:
        return []
    width_px = _CHOSEN_PX if chosen else _OTHER_PX
    return [lines(np.concatenate(segments), np.array(tint), width_px, "ARMATURE")]


OVERLAY = Overlay("springs", "springs", _key, _drawing)
