"""The suit that recorded the marsh take: its joints at rest and the measures of the performer's limbs.

Z-up metres, facing -Y, arms spread, floor at z = 0; every rest rotation is the identity, as in a BVH file.
"""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.body.skeleton import Skeleton

SIDES = ("Left", "Right")
OUTWARD = np.array([1.0, -1.0])  # +X is the performer's left

THIGH_M, SHANK_M, ANKLE_M = 0.420, 0.395, 0.085
UPPER_ARM_M, FOREARM_M = 0.285, 0.250
# Of a flat foot, seen from its ankle: where it rolls in at the heel, and out at the ball.
HEEL: Array = np.array([0.0, 0.050, -ANKLE_M])
BALL: Array = np.array([0.0, -0.130, 0.022 - ANKLE_M])

_SPINE = [
    ("Hips", None, (0.0, 0.0, 0.930)),
    ("Spine", "Hips", (0.0, 0.0, 0.105)),
    ("Chest", "Spine", (0.0, 0.0, 0.125)),
    ("UpperChest", "Chest", (0.0, 0.0, 0.125)),
    ("Neck", "UpperChest", (0.0, 0.010, 0.165)),
    ("Head", "Neck", (0.0, -0.015, 0.100)),
]
_ARM = [
    ("Shoulder", "UpperChest", (0.030, 0.0, 0.120)),
    ("UpperArm", "{}Shoulder", (0.135, 0.010, 0.0)),
    ("LowerArm", "{}UpperArm", (UPPER_ARM_M, 0.0, 0.0)),
    ("Hand", "{}LowerArm", (FOREARM_M, 0.0, 0.0)),
]
_LEG = [
    ("UpperLeg", "Hips", (0.090, 0.0, -0.030)),
    ("LowerLeg", "{}UpperLeg", (0.0, 0.0, -THIGH_M)),
    ("Foot", "{}LowerLeg", (0.0, 0.0, -SHANK_M)),
    ("Toes", "{}Foot", tuple(BALL)),
]
_TIPS = {
    "Head": (0.0, 0.0, 0.200),
    "LeftHand": (0.175, 0.0, 0.0),
    "RightHand": (-0.175, 0.0, 0.0),
    "LeftToes": (0.0, -0.075, -0.022),
    "RightToes": (0.0, -0.075, -0.022),
}


def suit() -> Skeleton:
    """The suit's 22 joints and 5 tips."""
    rows = list(_SPINE)
    for limb in (_ARM, _LEG):
        for side, out in zip(SIDES, OUTWARD, strict=True):
            rows += [
                (side + name, parent.format(side), (out * place[0], *place[1:]))
                for name, parent, place in limb
            ]
    names = tuple(name for name, _, _ in rows)
    return Skeleton(
        names=names,
        parents=tuple(-1 if parent is None else names.index(parent) for _, parent, _ in rows),
        rest_translation=np.array([place for _, _, place in rows]),
        rest_rotation=np.tile([1.0, 0.0, 0.0, 0.0], (len(rows), 1)),
        tip_joints=tuple(names.index(name) for name in _TIPS),
        tip_offsets=np.array(list(_TIPS.values())),
    )


def body_parts() -> dict[str, str]:
    """Humanoid part name (VRM 1.0) -> the suit's joint name."""
    return {name[0].lower() + name[1:]: name for name in suit().names}
