"""Names on the wrong joints: exchanged parts, sides or limbs, told by the tree and by where they are."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..base.checks import Array
from .body_names import Hint, read_name
from .body_parts import SIDES, BodyMap
from .skeleton import Skeleton

_LIMBS = (("UpperArm", "LowerArm", "Hand"), ("UpperLeg", "LowerLeg", "Foot", "Toes"))
_PLACE = {part: (limb, place) for limb, parts in enumerate(_LIMBS) for place, part in enumerate(parts)}
_MIN_CROSSED_COSINE = 0.3  # arms that point against the legs' line by more than this lie on the other side
_MIN_BELOW_LEGS = 0.3  # leg lengths by which hands hang below what is called feet
# (both: chosen by eye; the open motions have cosines above 0.5 and hands no lower than feet)


def without_contradictions(skeleton: Skeleton, hints: Sequence[Hint]) -> list[Hint]:
    """The hints (J,) but for those out of order, such as a forearm below its hand: their sides stay."""
    found, wrong = list(hints), set()
    for joint, hint in enumerate(found):
        limb, place = _PLACE.get(hint.best, (-1, -1))
        for above in skeleton.path_to(joint)[:-1] if place >= 0 else ():
            other = found[above]
            other_limb, other_place = _PLACE.get(other.best, (-1, -1))
            if other.side == hint.side and other_limb == limb and other_place > place:
                wrong |= {joint, above}
    for joint in wrong:
        found[joint] = replace(found[joint], parts={})
    return found


def renamed_parts(skeleton: Skeleton, body: BodyMap) -> list[str]:
    """What to say of joints of limbs that play another part than their names say."""
    out = []
    for part, joint in body.joints.items():
        side = next((one for one in SIDES if part.startswith(one)), "")
        unsided, hint = part.removeprefix(side), read_name(skeleton.names[joint])
        if side and unsided in _PLACE and hint.best in _PLACE and unsided not in hint.parts:
            out.append(
                f"{skeleton.names[joint]!r} is read as {part}, by where it hangs, though its name says "
                f"{hint.side}{hint.best}; if that is wrong, correct [body]"
            )
    return out


def exchange_problems(at: Array, body: BodyMap, low: Array, leg: float) -> list[str]:
    """Arms on the other side than legs of that name, and arms that are called legs.

    Args:
        at: (N, J, 3) joints in N poses of the take, Z-up.
        body: with both legs mapped.
        low: (N,) the height of the lowest point of both feet.
        leg: a leg's length, in the unit of `at`.
    """
    if any(f"{side}UpperArm" not in body.joints for side in SIDES):
        return []
    lines = []
    for part in ("UpperArm", "UpperLeg"):
        left, right = (at[:, body.require(side + part)] for side in SIDES)
        lines.append((left - right) / np.maximum(np.linalg.norm(left - right, axis=-1, keepdims=True), 1e-12))
    out = []
    if float(np.median((lines[0] * lines[1]).sum(axis=-1))) < -_MIN_CROSSED_COSINE:
        out.append(
            "what is called the left arm hangs on the side of what is called the right leg: the names of the "
            "sides are exchanged, of arms or of legs; correct [body]"
        )
    hands = [body.joints[side + "Hand"] for side in SIDES if side + "Hand" in body.joints]
    if hands and float(np.median(low - at[:, hands, 2].max(axis=1))) > _MIN_BELOW_LEGS * leg:
        out.append(
            "what is called hands is below what is called feet for most of the take: the names of arms and "
            "legs are exchanged, or the body stands on its hands; correct [body]"
        )
    return out
