"""Capsules for a skeleton without a mesh, as thick as people are.

Source of all shares: means of 6,068 people of ANSUR II (Gordon et al. 2014); a girth is taken as a circle's.
`test_body_shape.py` measures them again.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton
from ..maths import quat
from .capsules import TRUNK, Capsules

LIMB_RADII = {
    "UpperArm": (0.166, 0.166),  # biceps, of acromion to elbow
    "LowerArm": (0.181, 0.104),  # forearm and wrist, of elbow to wrist
    "UpperLeg": (0.233, 0.152),  # thigh and above the knee, of trochanter to tibia
    "LowerLeg": (0.158, 0.092),  # calf and ankle, of tibia to malleolus
}
"""Radii near the start and the end of a limb's part, in its lengths."""

TRUNK_DEPTHS = (0.203, 0.193, 0.212)
"""Half the depth of buttocks, waist and chest, of the height from trochanter to cervicale."""

HAND = (0.730, 0.164, 0.057)
"""A hand's length, half its breadth, and half its thickness (a flat oval's of its girth), of the forearm."""

CHEST_BREADTH = 0.354
"""Half the breadth of the chest, of the breadth between the acromia."""

HEAD, NECK = 0.153, 0.100
"""Their radii, of the height from trochanter to cervicale."""

FOOT = (0.323, 0.061)
"""A foot's length and half its breadth, of trochanter to malleolus."""

_TOES_RADIUS = 0.3  # of half the breadth of a foot, whose front is that thick (by eye)
_HEEL_SHARE = 0.25  # of a foot's length lies behind the ankle (common practice, no source)
_SHIN_SHARE = 0.478  # of a leg
_HIP_BREADTH_RADII = (
    0.85  # of the thigh's radius beside the hip joint: hips of mean breadth, joints 0.18 m apart
)
_SLICES = 5  # of the trunk (by eye)


def shape_of_people(skeleton: Skeleton, body: BodyMap) -> Capsules:
    """Capsules for the mapped parts, by the skeleton's own lengths.

    Raises:
        BodyMapError: hips or a leg joint are not mapped.
    """
    at = skeleton.reference_model[1]
    rows: list[tuple[str, int, Array, Array, float]] = []
    thigh = 0.0
    for side in SIDES:
        for part, below in (("UpperLeg", "LowerLeg"), ("LowerLeg", "Foot"), ("UpperArm", "LowerArm"),
                            ("LowerArm", "Hand")):  # fmt: skip
            joint, end = body.get(side + part), body.get(side + below)
            if joint is None or end is None:
                continue
            start, stop = at[joint], at[end]
            middle, length = (start + stop) / 2, float(np.linalg.norm(stop - start))
            first, last = (length * share for share in LIMB_RADII[part])
            rows += [(side + part, joint, start, middle, first), (side + part, joint, middle, stop, last)]
            if part == "UpperLeg":
                thigh = max(thigh, first)
            if part == "LowerArm":
                rows += _hand(side, end, start, stop, length)
            if part == "LowerLeg":
                rows += _foot(body, at, side, length / _SHIN_SHARE)
    rows += _trunk(body, at, thigh)
    rotations, positions = skeleton.reference_model
    joints = np.array([row[1] for row in rows], np.intp)
    back, origin = quat.inv(rotations[joints]), positions[joints]
    return Capsules(
        tuple(row[0] for row in rows),
        tuple(row[1] for row in rows),
        quat.rotate(back, np.array([row[2] for row in rows]) - origin),
        quat.rotate(back, np.array([row[3] for row in rows]) - origin),
        np.maximum([row[4] for row in rows], 1e-4 * skeleton.height),
        (False,) * len(rows),
    )


def _trunk(body: BodyMap, at: Array, thigh: float) -> list[tuple[str, int, Array, Array, float]]:
    """Flat capsules from the hip joints up to the arms, and a neck and a head above."""
    left, right = (at[body.require(f"{side}UpperLeg")] for side in SIDES)
    across, low = left - right, (left + right) / 2
    wide = float(np.linalg.norm(across))
    across = across / max(wide, 1e-9)
    joints = [(part, joint) for part in TRUNK if (joint := body.get(part)) is not None]
    arms = [at[joint] for side in SIDES if (joint := body.get(f"{side}UpperArm")) is not None]
    neck = body.get("neck") if body.get("neck") is not None else body.get("head")
    tops = [at[neck]] if neck is not None else [np.mean(arms, axis=0)] if len(arms) == 2 else []
    top = tops[0] if tops else at[joints[-1][1]]
    tall = float(np.linalg.norm(top - low))
    chest = CHEST_BREADTH * float(np.linalg.norm(arms[0] - arms[1])) if len(arms) == 2 else 0.24 * tall
    hip = wide / 2 + _HIP_BREADTH_RADII * thigh
    rows = []
    for share in np.linspace(0.0, 0.85, _SLICES):
        middle = low + share * (top - low)
        depth = tall * float(np.interp(share, (0.0, 0.4, 0.75), TRUNK_DEPTHS))
        half = max(float(np.interp(share, (0.0, 0.75), (hip, chest))) - depth, 0.0)
        part, joint = max(
            ((p, j) for p, j in joints if (at[j] - low) @ (top - low) <= share * tall**2 + 1e-9),
            key=lambda pair: float((at[pair[1]] - low) @ (top - low)),
            default=joints[0],
        )
        rows.append((part, joint, middle + half * across, middle - half * across, depth))
    return rows + _head(body, at, top - low)


def _head(body: BodyMap, at: Array, up: Array) -> list[tuple[str, int, Array, Array, float]]:
    """A neck between its joint and the head's, and a head above it; the trunk's height tells their size."""
    tall = float(np.linalg.norm(up))
    up = up / max(tall, 1e-9)
    rows = []
    neck, head = body.get("neck"), body.get("head")
    if neck is not None and head is not None:
        rows.append(("neck", neck, at[neck], at[head], NECK * tall))
    if head is not None:
        radius = HEAD * tall
        rows.append(("head", head, at[head] + 0.3 * radius * up, at[head] + radius * up, radius))
    return rows


def _hand(
    side: str, joint: int, elbow: Array, wrist: Array, length: float
) -> list[tuple[str, int, Array, Array, float]]:
    """A hand that goes on straight from the forearm; it is round: bones do not tell where its palm looks."""
    along = (wrist - elbow) / max(length, 1e-9)
    long, half, thick = (share * length for share in HAND)
    radius = (half + thick) / 2
    return [(f"{side}Hand", joint, wrist + radius * along, wrist + (long - radius) * along, radius)]


def _foot(body: BodyMap, at: Array, side: str, leg: float) -> list[tuple[str, int, Array, Array, float]]:
    """A foot from a heel behind the ankle to its front, level with the toes' joint where there is one."""
    ankle, toes = at[body.require(f"{side}Foot")], body.get(f"{side}Toes")
    if toes is None:
        return []
    long, half = (share * leg for share in FOOT)
    radius = _TOES_RADIUS * half
    away = at[toes] - ankle
    ahead = away * np.array([1.0, 1.0, 0.0])
    ahead = ahead / max(float(np.linalg.norm(ahead)), 1e-9)
    heel = at[toes] - (away @ ahead + _HEEL_SHARE * long - radius) * ahead
    front = heel + (long - 2 * radius) * ahead
    joint = body.require(f"{side}Foot")
    return [(f"{side}Foot", joint, heel, front, radius)]
