"""Bodies of any build with a mesh of known surface: a flat trunk, round limbs, flat hands; one skin."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit_bodies import Build, body
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.shape.skin import Skin

_COLUMNS = 20


@dataclass(frozen=True)
class Girth:
    """Half sizes in metres."""

    trunk_wide: float = 0.16
    trunk_deep: float = 0.11
    upper_arm: float = 0.045
    fore_arm: float = 0.038
    hand_wide: float = 0.042
    hand_thick: float = 0.015
    thigh: float = 0.08
    shin: float = 0.05
    head: float = 0.09


_PLAIN, _SLIM = Build(), Girth()


def skinned(
    build: Build = _PLAIN, girth: Girth = _SLIM, faces: bool = True
) -> tuple[Skeleton, BodyMap, Skin]:
    """A body and its mesh; without `faces` the vertices alone."""
    skeleton, parts = body(build)
    return skeleton, parts, clothed(skeleton, parts, girth, build.hand, faces)


def clothed(skeleton: Skeleton, parts: BodyMap, girth: Girth, hand_m: float, faces: bool = True) -> Skin:
    """A mesh of such a girth for any body at rest, its hands so long; without `faces` the vertices alone."""
    at = skeleton.rest_model[1]
    shells: list[tuple[Array, Array, list[str]]] = []

    def tube(
        name: str, start: Array, stop: Array, wide: float, deep: float, across: Array, rows: int = 9
    ) -> None:
        along = (stop - start) / np.linalg.norm(stop - start)
        u = across - (across @ along) * along
        u /= np.linalg.norm(u)
        v = np.cross(along, u)
        turns = 2 * np.pi * np.arange(_COLUMNS) / _COLUMNS
        ring = wide * np.cos(turns)[:, None] * u + deep * np.sin(turns)[:, None] * v
        points = np.concatenate([start + share * (stop - start) + ring for share in np.linspace(0, 1, rows)])
        points = np.concatenate([points, [start, stop]])
        shells.append((points, _tube_faces(rows), [name] * len(points)))

    x = at[parts.require("leftUpperLeg")] - at[parts.require("rightUpperLeg")]
    y = np.cross([0.0, 0.0, 1.0], x)
    low = (at[parts.require("leftUpperLeg")] + at[parts.require("rightUpperLeg")]) / 2
    top = np.array([low[0], 0.02, at[parts.require("leftUpperArm")][2]])
    trunk = [part for part in ("hips", "spine", "chest", "upperChest") if part in parts.joints]
    tube("trunk", low - np.array([0, 0, 0.08]), top, girth.trunk_wide, girth.trunk_deep, x, 17)
    places, faces_of, _ = shells.pop()
    heights = at[[parts.require(part) for part in trunk], 2]
    owner = [trunk[int(np.abs(z - heights).argmin())] for z in places[:, 2]]
    shells.append((places, faces_of, owner))
    for side in ("left", "right"):
        joint = {part: at[parts.require(side + part)] for part in ("UpperArm", "LowerArm", "Hand", "UpperLeg",
                                                                   "LowerLeg", "Foot")}  # fmt: skip
        ahead = joint["Hand"] - joint["LowerArm"]
        palm = joint["Hand"] + hand_m * ahead / np.linalg.norm(ahead)
        tube(f"{side}UpperArm", joint["UpperArm"], joint["LowerArm"], girth.upper_arm, girth.upper_arm, y)
        tube(f"{side}LowerArm", joint["LowerArm"], joint["Hand"], girth.fore_arm, girth.fore_arm, y)
        tube(f"{side}Hand", joint["Hand"], palm, girth.hand_wide, girth.hand_thick, y)
        tube(f"{side}UpperLeg", joint["UpperLeg"], joint["LowerLeg"], girth.thigh, girth.thigh, x)
        tube(f"{side}LowerLeg", joint["LowerLeg"], joint["Foot"], girth.shin, girth.shin, x)
    head = at[parts.require("head")]
    tube("head", head, head + np.array([0, 0, 2 * girth.head]), girth.head, girth.head, x)
    counts = np.cumsum([0, *(len(points) for points, _, _ in shells)])
    names = [name for _, _, owners in shells for name in owners]
    joints = np.zeros((len(names), 4), int)
    joints[:, 0] = [parts.require(name) for name in names]
    weights = np.zeros((len(names), 4))
    weights[:, 0] = 1.0
    triangles = np.concatenate([tri + first for (_, tri, _), first in zip(shells, counts, strict=False)])
    points = np.concatenate([points for points, _, _ in shells])
    return Skin(points, joints, weights, triangles if faces else np.zeros((0, 3), int))


def _tube_faces(rows: int) -> Array:
    """Triangles (T, 3) of a closed tube, outwards; its two poles are the last vertices."""
    first = rows * _COLUMNS
    found = []
    for k in range(_COLUMNS):
        n = (k + 1) % _COLUMNS
        for row in range(rows - 1):
            a, b = row * _COLUMNS, (row + 1) * _COLUMNS
            found += [(a + k, a + n, b + n), (a + k, b + n, b + k)]
        found += [(n, k, first), ((rows - 1) * _COLUMNS + k, (rows - 1) * _COLUMNS + n, first + 1)]
    return np.array(found)
