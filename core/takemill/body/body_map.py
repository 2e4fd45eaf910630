"""Which joint plays which part of a body, found by names, topology and geometry.

The order of the search: two legs and the hips where they meet; the chain up from the hips to the head;
two arms that leave it; left and right; then what hangs on hands, feet, head and hips.
A lone joint takes the part that VRM 1.0 requires: "spine" in the trunk, "head" above the arms.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from ..base.checks import Array
from ..base.errors import BodyMapError
from ..maths import quat
from .body_extras import extras
from .body_parts import HUMANOID, SIDES, BodyMap
from .body_tree import UP, BodyTree
from .motion import Motion
from .skeleton import Skeleton

__all__ = ["HUMANOID", "BodyMap", "correct_body_map", "find_body_map", "heading", "leg_length", "rest_facing"]

_LEG = ("UpperLeg", "LowerLeg", "Foot")
_ARM = ("UpperArm", "LowerArm", "Hand")
# Of the height, from the middle to an upper arm: 0.10 to 0.13 of people (ANSUR II). With this, none of
# 3,200 real skeletons whose bones were stretched at random by up to 35 % takes a collar bone for an arm;
# without, 6 did.
_MIN_SHOULDER_SHARE = 0.045
_MIN_BODY_JOINTS = 11  # of hips, two legs and two arms without hands
_REQUIRED = (
    "hips", "spine", "head", *(side + part for side in SIDES for part in (*_LEG, *_ARM)),
)  # fmt: skip

_LEAST = ("hips", *(side + part for side in SIDES for part in _LEG[:2]))  # by which all others are searched

_Limbs = tuple[tuple[int, ...], tuple[int, ...]]


def find_body_map(skeleton: Skeleton, fixed: Mapping[str, int] = MappingProxyType({})) -> BodyMap:
    """The parts of a skeleton whose reference pose stands upright, Z-up (any size does).

    Names that are those of VRM 1.0, letter case and separators aside, are taken as they stand when all
    required bones are there.

    Parts that are `fixed` (part -> joint) stay so, and the others are searched around them.

    Raises:
        BodyMapError: no hips with two legs of at least three joints each; or a fixed part took hips,
            a thigh or a shin.
    """
    tree = BodyTree(skeleton, fixed)
    joints = _standard_names(tree) or _searched(tree)
    if fixed:
        taken = set(fixed.values())
        joints = {part: joint for part, joint in joints.items() if joint not in taken} | dict(fixed)
        if lacking := next((part for part in _LEAST if part not in joints), ""):
            raise BodyMapError(
                f"body map: the joint found for {lacking} is given to another part; name one for it too"
            )
    top = skeleton.path_to(joints["hips"])[0]
    if top not in joints.values():
        joints.setdefault("root", top)
    if not fixed:
        _expect_one_body(skeleton, joints)
    return BodyMap({**extras(tree, joints), **joints})


def _expect_one_body(skeleton: Skeleton, joints: Mapping[str, int]) -> None:
    """Insist on a skeleton in which no second body stands beside the one that was found."""
    top = skeleton.path_to(joints["hips"])
    shared = next((j for j in reversed(top[:-1]) if len(skeleton.children[j]) > 1), -1)
    roots = [j for j, parent in enumerate(skeleton.parents) if parent == shared and j not in top]
    for root in roots:
        part = skeleton.subtree(root).tolist()
        if len(part) < _MIN_BODY_JOINTS:
            continue
        try:
            other = _searched(BodyTree(skeleton.part(part)))
        except BodyMapError:
            continue
        if all(f"{side}UpperArm" in other for side in SIDES):
            raise BodyMapError(
                f"body map: there are two bodies, with hips {skeleton.names[joints['hips']]!r} and "
                f"{skeleton.names[part[other['hips']]]!r}; export each as a file of its own"
            )


def correct_body_map(skeleton: Skeleton, given: Mapping[str, int]) -> BodyMap:
    """The parts of a skeleton with some that are `given` by hand (part -> joint); all others stay as found.

    A part whose joint is given to another one is searched again around those that are given. Where nothing is
    found without help, the given parts may be what leads to the others, or all there are.

    Raises:
        BodyMapError: none can be found, and none is given.
    """
    try:
        found: dict[str, int] = dict(find_body_map(skeleton).joints)
    except BodyMapError:
        if not given:
            raise
        found = {}
    if not given:
        return BodyMap(found)
    taken = set(given.values())
    out = {part: joint for part, joint in found.items() if joint not in taken} | dict(given)
    if found and out.keys() >= found.keys():
        return BodyMap(out)
    try:
        again = find_body_map(skeleton, given).joints
    except BodyMapError:
        return BodyMap(out)
    for part, joint in again.items():
        if (part in found or not found) and part not in out and joint not in out.values():
            out[part] = joint
    return BodyMap(out)


def _standard_names(tree: BodyTree) -> dict[str, int]:
    parts = {part.lower(): part for part in HUMANOID}
    called = ["".join(hint.words) for hint in tree.hints]
    times = Counter(called)
    found = {parts[name]: joint for joint, name in enumerate(called) if name in parts and times[name] == 1}
    return found if all(part in found for part in _REQUIRED) else {}


def _searched(tree: BodyTree) -> dict[str, int]:
    legs = _legs(tree)
    fork = tree.meet(legs[0][0], legs[1][0])
    arms = _arms(tree, legs)
    head, named = _top(tree, legs, arms)
    top = head if head >= 0 else tree.meet(arms[0][0], arms[1][0]) if arms else -1
    hips = _hips(tree, fork, top)
    up = tree.path_between(tree.meet(hips, top), top) if top >= 0 else ()
    joints = {"hips": hips, **_column(tree, up, arms, named, headless=head < 0)}
    left = _left_of(tree, legs)
    # Arm joints that lie nearer to the middle than the legs, or than any shoulder, are collar bones.
    aside = np.abs((tree.at - tree.at[hips]) @ left) / (np.linalg.norm(left) or 1.0)
    least = max(_MIN_SHOULDER_SHARE * tree.size, min(aside[leg[1]] for leg in legs))
    inner = np.flatnonzero(aside < least).tolist()
    for limbs, parts in ((legs, _LEG), (arms, _ARM)):
        if limbs is None:
            continue
        ordered = _ordered(tree, limbs, left)
        found = _alike(tree, ordered, parts, inner if parts is _ARM else [])
        for side, limb, places in zip(SIDES, ordered, found, strict=True):
            if places is None:
                if parts is _ARM:  # an arm without a hand joint ends at its tip
                    joints |= {side + part: joint for part, joint in zip(parts, limb[-2:], strict=False)}
                continue
            chosen = [limb[place] for place in places]
            if parts is _ARM and _ends_in_tip(tree, chosen):
                joints |= {f"{side}UpperArm": chosen[1], f"{side}LowerArm": chosen[2]}
                joints[f"{side}Shoulder"] = chosen[0]
                continue
            joints |= {side + part: joint for part, joint in zip(parts, chosen, strict=True)}
            if parts is _ARM and places[0] > 0:
                joints[f"{side}Shoulder"] = limb[places[0] - 1]
    return joints


def _ends_in_tip(tree: BodyTree, arm: list[int]) -> bool:
    """Whether the three joints of an arm are collar bone, upper arm and forearm, and no joint is its hand."""
    start, bend, end = arm
    if tree.skeleton.children[end] or not len(tree.tips[end]):
        return False
    says = tree.hints[end].says
    if says("LowerArm") > 0 or says("Hand") > 0:
        return says("LowerArm") > says("Hand")
    upper, lower, tip = tree.gap(start, bend), tree.gap(bend, end), tree.below[end][0]
    if not upper or not lower or not tip:
        return False
    # A collar bone is much shorter than an upper arm, which is as long as its forearm; a fist is no forearm.
    return min(lower, tip) > 0.75 * max(lower, tip) and upper < 0.65 * lower


def _alike(
    tree: BodyTree, limbs: _Limbs, parts: tuple[str, str, str], inner: list[int]
) -> list[tuple[int, int, int] | None]:
    """The places of both limbs' three joints: bones of left and right are of the same lengths."""
    alone = [tree.limb(limb, parts, inner) for limb in limbs]
    if alone[0] is None or alone[1] is None:
        return [one and one[1] for one in alone]

    def chords(limb: tuple[int, ...], places: tuple[int, int, int]) -> tuple[float, float]:
        start, bend, end = (limb[place] for place in places)
        return tree.gap(start, bend), tree.gap(bend, end)

    pairs = []
    for first, second in ((0, 1), (1, 0)):
        ruler = alone[first]
        other = tree.limb(limbs[second], parts, inner, chords(limbs[first], ruler[1]))  # type: ignore[index]
        own = tree.limb(limbs[first], parts, inner, chords(limbs[second], other[1]))  # type: ignore[index]
        places = {first: own, second: other}
        pairs.append((own[0] + other[0], [places[0][1], places[1][1]]))  # type: ignore[index]
    return list(max(pairs, key=lambda pair: pair[0])[1])


def _legs(tree: BodyTree) -> _Limbs:
    """Two legs, each from below the joint where they meet down to the end."""
    named = tree.named_pair(("Foot", "Toes"), ("UpperLeg", "LowerLeg"))
    if named and len(limbs := _from_meeting(tree, named)) == 2 and all(len(limb) >= 3 for limb in limbs):
        return limbs
    best: tuple[float, _Limbs | None] = (np.inf, None)
    for children in tree.skeleton.children:
        for pair in tree.like_pair(children, 0.15):
            low = [tree.points(chain)[:, 2].min() for chain in pair]
            drop = min(tree.at[chain[0]][2] - z for chain, z in zip(pair, low, strict=True))
            if drop > 0.15 * tree.size and sum(low) < best[0] - 1e-9:
                best = (sum(low), pair)
    if best[1] is None:
        raise BodyMapError(
            "body map: found no hips with two legs (upper leg, lower leg, foot) below; "
            "is this an upright body at rest? Otherwise name the parts by hand"
        )
    return best[1]


def _from_meeting(tree: BodyTree, ends: tuple[int, int]) -> _Limbs:
    """The chains down to two ends, and on along the longest one, from below the joint where they part."""
    fork = tree.meet(*ends)
    first, second = (tree.path_between(fork, end) + tree.longest(end)[1:] for end in ends)
    return first, second


def _top(tree: BodyTree, legs: _Limbs, arms: _Limbs | None) -> tuple[int, bool]:
    """The head, or the highest joint between the arms; and whether a name says so. -1: there is none."""
    inside = set(tree.skeleton.path_to(legs[0][0])[:-1])
    for limb in (*legs, *(arms or ())):
        inside.update(tree.skeleton.subtree(limb[0]).tolist())
    free = [j for j in range(len(tree.skeleton)) if j not in inside and not tree.helps(j)]
    called = [j for j in free if tree.hints[j].best == "head"]
    if called:
        return max(called, key=lambda j: (tree.at[j][2], -j)), True
    if arms:  # a head hangs where the arms do, or a little below; a tail or a skirt does not
        chain = tree.skeleton.path_to(tree.meet(arms[0][0], arms[1][0]))
        below = tree.skeleton.path_to(legs[0][0])
        for fork in reversed([joint for joint in chain if joint not in below]):
            here = [j for j in free if j != fork and j not in chain and j in tree.skeleton.subtree(fork)]
            if here:
                free = here
                break
        else:
            free = [j for j in free if j not in chain] if chain[-1] in below else []
    return max(free, key=lambda j: (tree.points([j])[:, 2].max(), -j), default=-1), False


def _hips(tree: BodyTree, fork: int, head: int) -> int:
    """The joint that carries legs and spine; only the legs when all meet far below them."""
    both = tree.meet(fork, head) if head >= 0 else fork
    if both >= 0 and tree.at[fork][2] - tree.at[both][2] < 0.1 * tree.size:
        return both
    return fork


def _arms(tree: BodyTree, legs: _Limbs) -> _Limbs | None:
    """Two arms, each from below the joint where they meet."""
    for ends in (("Hand",), ("LowerArm",)):
        if named := tree.named_pair(ends, ("UpperArm", "LowerArm")):
            return _from_meeting(tree, named)
    low = {joint for leg in legs for joint in tree.skeleton.subtree(leg[0]).tolist()}
    taken = low | set(tree.skeleton.path_to(legs[0][0]))
    across = tree.at[legs[0][1]] - tree.at[legs[1][1]]
    for least in (3, 2):
        pairs = [
            (tree.below[pair[0][0]][0] + tree.below[pair[1][0]][0], pair)
            for fork in range(len(tree.skeleton))
            if fork not in low
            for pair in tree.like_pair(
                [c for c in tree.skeleton.children[fork] if c not in taken], 0.2, least
            )
            if np.prod([np.sign((tree.at[chain[1]] - tree.at[fork]) @ across) for chain in pair]) < 0
        ]
        if pairs:
            return max(pairs, key=lambda scored: scored[0])[1]
    return None


def _column(
    tree: BodyTree, up: tuple[int, ...], arms: _Limbs | None, named: bool, headless: bool
) -> dict[str, int]:
    """Trunk, neck and head from the chain up: the arms leave from the last joint of the trunk."""
    if arms:
        fork = tree.meet(arms[0][0], arms[1][0])
        shared = [j for j in tree.skeleton.path_to(fork) if j in up]
        split = up.index(shared[-1]) + 1 if shared else 0
    elif headless:
        split = len(up)
    else:
        split = next(
            (i for i, j in enumerate(up) if tree.hints[j].best in ("neck", "head")), max(len(up) - 1, 0)
        )
    trunk, above = up[:split], up[split:]
    if not named:
        above = _head_end(tree, above)
    joints: dict[str, int] = {}
    if len(trunk) > 3:
        joints = {"spine": trunk[0], "chest": _chest(tree, trunk), "upperChest": trunk[-1]}
    else:
        joints = dict(zip(("spine", "chest", "upperChest"), trunk, strict=False))
    if above:
        joints["head"] = above[-1]
    if len(above) > 1:
        joints["neck"] = above[0]
    return joints


def _chest(tree: BodyTree, trunk: tuple[int, ...]) -> int:
    """Of a trunk of four joints or more: the one called chest, else the one nearest to its middle."""
    inner = trunk[1:-1]
    called = [j for j in inner if tree.hints[j].best == "chest"]
    middle = (tree.at[trunk[0]] + tree.at[trunk[-1]]) / 2
    return called[0] if called else min(inner, key=lambda j: float(np.linalg.norm(tree.at[j] - middle)))


def _head_end(tree: BodyTree, above: tuple[int, ...]) -> tuple[int, ...]:
    """The chain above the trunk, without what hangs on the head or only stands for its end."""
    for place, joint in enumerate(above):
        if len(tree.skeleton.children[joint]) > 1:
            above = above[: place + 1]
            break
    if len(above) > 2 and above[-1] in tree.nubs:
        above = above[:-1]
    while len(above) > 1 and tree.gap(above[-1], above[-2]) < 0.01 * tree.size:
        above = above[:-1]
    return above


def _left_of(tree: BodyTree, legs: _Limbs) -> Array:
    """The direction of the body's left at rest (3,): along the line of the legs, square to the feet."""
    places = [found[1] if (found := tree.limb(leg, _LEG)) else (0, 1, 2) for leg in legs]
    hips = [tree.at[leg[p[0]]] for leg, p in zip(legs, places, strict=True)]
    knees = [tree.at[leg[p[1]]] for leg, p in zip(legs, places, strict=True)]
    ankles = [leg[p[2]] for leg, p in zip(legs, places, strict=True)]
    across = (knees[0] - knees[1]) * np.array([1.0, 1.0, 0.0])
    forward = np.zeros(3)
    for ankle in ankles:
        arms = tree.points(tree.skeleton.subtree(ankle)) - tree.at[ankle]
        arms[:, 2] = 0.0
        forward += arms[np.argmax(np.linalg.norm(arms, axis=1))]
    if np.linalg.norm(forward) < 0.01 * tree.size:  # feet without toes: knees bend forwards
        forward = sum(
            (k - (h + tree.at[a]) / 2 for k, h, a in zip(knees, hips, ankles, strict=True)), np.zeros(3)
        )
    left = np.cross(UP, forward)
    if abs(left @ across) < 1e-3 * tree.size * np.linalg.norm(across):  # nothing shows it: facing -Y
        left = np.array([1.0, 0.0, 0.0])
    return across * (1.0 if left @ across >= 0 else -1.0)


def _ordered(tree: BodyTree, limbs: _Limbs, left: Array) -> _Limbs:
    """The two limbs as (left, right): by their names where these differ, else by where they lie."""
    votes = [Counter(s for j in limb if (s := tree.hints[j].side)).most_common(1) for limb in limbs]
    named = [vote[0][0] if vote else "" for vote in votes]
    if set(named) == set(SIDES):
        return limbs if named[0] == "left" else (limbs[1], limbs[0])
    lean = (tree.at[list(limbs[0])].mean(axis=0) - tree.at[list(limbs[1])].mean(axis=0)) @ left
    return limbs if lean >= 0 else (limbs[1], limbs[0])


def rest_facing(skeleton: Skeleton, body: BodyMap) -> float:
    """The heading of the rest pose, radians: 0 faces -Y, counter-clockwise about +Z is positive.

    Raises:
        BodyMapError: a leg is not mapped.
    """
    at = skeleton.reference_model[1]
    forward = np.cross(_across(at, body), UP)
    return float(np.arctan2(forward[0], -forward[1]))


def _across(at: Array, body: BodyMap) -> Array:
    """From the right to the left leg (..., 3), of model positions (..., J, 3)."""
    return at[..., body.require("leftUpperLeg"), :] - at[..., body.require("rightUpperLeg"), :]


# Of half the tilt: below it the hips are too near to upside down, a tilt of 106 degrees (chosen by eye).
_MIN_UPRIGHT_COSINE = 0.6
_MIN_LEVEL_SHARE = 0.35  # of the line across the hips that must lie level: it may rise by 70 degrees (by eye)


def heading(motion: Motion, body: BodyMap) -> Array:
    """The heading of the hips per frame (F,), radians and unwrapped, 0 for facing -Y.

    It is square to the line, in the top view, that the hips carry from the right leg to the left;
    so bending and leaning do not count, nor how the hips are held in the reference pose. Where the hips
    are nearly upside down, or that line stands upright, it has no value: there it runs straight from before
    to after.
    """
    hips = body.require("hips")
    local, rest = motion.rotations, motion.skeleton.reference_model[0][hips]
    model = local[:, (path := motion.skeleton.path_to(hips))[0]]
    for joint in path[1:]:
        model = quat.mul(model, local[:, joint])
    turned = quat.mul(model, quat.inv(rest))
    across = quat.rotate(turned, _across(motion.skeleton.reference_model[1], body))
    level = quat.length(across[:, :2]) > _MIN_LEVEL_SHARE * quat.length(across)
    sure = level & (np.hypot(turned[:, 0], turned[:, 3]) > _MIN_UPRIGHT_COSINE)
    if not sure.any():
        return np.full(len(motion), rest_facing(motion.skeleton, body))
    frames = np.arange(len(motion))
    yaws = np.unwrap(np.arctan2(across[sure, 1], across[sure, 0]))
    return np.interp(frames, frames[sure], yaws)


def leg_length(skeleton: Skeleton, body: BodyMap) -> float:
    """From the hip joint over the knee to the ankle at rest, metres, the mean of both legs.

    Raises:
        BodyMapError: a joint of a leg is not mapped.
    """
    at = skeleton.reference_model[1]
    lengths = []
    for side in SIDES:
        hip, knee, ankle = (at[body.require(side + part)] for part in _LEG)
        lengths.append(np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee))
    return float(np.mean(lengths))
