"""The outline of a mesh in a plane, as seen from a point inside: how far the body goes in each direction."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array

WAYS = 24
"""Directions in which an outline is looked for."""

_TURNS = 2 * np.pi * (np.arange(WAYS) + 0.37) / WAYS  # off the axes, on which meshes have their corners
DIRECTIONS = np.stack([np.cos(_TURNS), np.sin(_TURNS)], axis=-1)
"""(WAYS, 2) of them."""


def solid_outline(corners: Array, origin: Array, u: Array, v: Array) -> Array:
    """How far (WAYS,) a body reaches in a plane until its inside ends first; NaN where that is not known.

    Shells that lie further out, as a cape's, do not count. A ray's crossings tell where inside is: each one
    outwards takes one from the winding number, which is 0 outside.

    Args:
        corners: (T, 3, 3) of triangles, counter-clockwise as seen from outside.
        origin: (3,) a point inside.
        u: (3,) unit, the plane's first direction.
        v: (3,) its second.
    """
    normal = np.cross(u, v)
    over = (corners - origin) @ normal
    cut = corners[(over.min(axis=1) < 0) & (over.max(axis=1) >= 0)]
    out = np.full(WAYS, np.nan)
    if not len(cut):
        return out
    flat = np.stack([(cut - origin) @ u, (cut - origin) @ v], axis=-1)
    over = (cut - origin) @ normal
    face = np.cross(cut[:, 1] - cut[:, 0], cut[:, 2] - cut[:, 0])
    facing = np.stack([face @ u, face @ v], axis=-1) @ DIRECTIONS.T
    # The corner that lies alone on its side of the plane: both cut edges begin there.
    above = over >= 0
    alone = np.where(above.sum(axis=1) == 1, above.argmax(axis=1), (~above).argmax(axis=1))
    row = np.arange(len(cut))
    start, height = flat[row, alone], over[row, alone]
    ends = []
    for step in (1, 2):
        other = (alone + step) % 3
        share = height / (height - over[row, other])
        ends.append(start + share[:, None] * (flat[row, other] - start))
    p, edge = ends[0], ends[1] - ends[0]
    # Where the ray t d meets p + s edge.
    across = edge[:, None, 0] * DIRECTIONS[:, 1] - edge[:, None, 1] * DIRECTIONS[:, 0]
    sound = np.abs(across) > 1e-12
    safe = np.where(sound, across, 1.0)
    s = (p[:, None, 1] * DIRECTIONS[:, 0] - p[:, None, 0] * DIRECTIONS[:, 1]) / safe
    t = (edge[:, 0] * p[:, 1] - edge[:, 1] * p[:, 0])[:, None] / safe
    met = sound & (s >= 0) & (s < 1) & (t > 0)
    for way in range(WAYS):
        mine = np.flatnonzero(met[:, way])
        order = mine[np.argsort(t[mine, way])]
        signs = np.where(facing[order, way] > 0, 1, -1)
        inside = signs.sum() - np.cumsum(signs)
        if signs.sum() > 0:
            out[way] = t[order[int((inside <= 0).argmax())], way]
    return out
