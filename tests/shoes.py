"""Bodies of any build in shoes: flat soles in one skin, whose heels hang on foot and shin alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.feet.sole_mesh import SoleVertices, find_sole_vertices
from takemill.shape.skin import Skin

_UP = np.array([0.0, 0.0, 1.0])
_WIDTH = 0.35  # of a shoe's length
# Rows from heel to toe tip: how much of each hangs on shin, foot and toes. The last but one is the ball's.
_ROWS = (
    (0.5, 0.5, 0.0),
    (0.25, 0.75, 0.0),
    (0.0, 1.0, 0.0),
    (0.0, 1.0, 0.0),
    (0.0, 0.5, 0.5),
    (0.0, 0.0, 1.0),
)


def shod(skeleton: Skeleton, parts: BodyMap) -> tuple[Skeleton, Skin]:
    """A body that rests upright, with tips at heels and toes: its skeleton with soles, and its shoes."""
    at, tips = skeleton.rest_model[1], skeleton.reference_tips
    points, joints, weights, faces = [], [], [], []
    for side in ("left", "right"):
        shin, foot, toes = (parts.require(side + part) for part in ("LowerLeg", "Foot", "Toes"))
        heel, toe = (tips[skeleton.tip_joints.index(joint)] for joint in (foot, toes))
        along = (toe - heel) * [1.0, 1.0, 0.0]
        across = _WIDTH / 2 * np.cross(_UP, along)
        ball = float((at[toes] - heel) @ along / (along @ along))
        first = len(points)
        for share, held in zip(np.append(ball * np.linspace(0, 1, len(_ROWS) - 1), 1.0), _ROWS, strict=True):
            for place in (-1.0, 0.0, 1.0):
                points.append(heel + share * along + place * across)
                joints.append([shin, foot, toes, 0])
                weights.append([*held, 0.0])
        for row in range(len(_ROWS) - 1):
            for column in range(2):
                a = first + 3 * row + column
                faces += [(a, a + 1, a + 4), (a, a + 4, a + 3)]
    skin = Skin(np.array(points), np.array(joints), np.array(weights), np.array(faces))
    stands: Array = np.repeat(skin.points[:, None], skin.joints.shape[1], axis=1)
    held = np.where(skin.weights > 0, skin.joints, -1)
    height = float(np.ptp(at[:, 2]))
    soles = find_sole_vertices(held, skin.weights, stands, *skeleton.rest_model, _UP, height)
    return with_soles(skeleton, soles), skin


def with_soles(skeleton: Skeleton, soles: SoleVertices) -> Skeleton:
    """The skeleton that knows its soles."""
    return replace(
        skeleton,
        sole_joints=soles.joints,
        sole_points=soles.points,
        sole_vertices=soles.vertices,
        sole_weights=soles.weights,
    )
