"""The joints that carry the feet, as a small motion of their own: all that contacts and pinning need."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.skeleton import Skeleton


def lower_body(
    motion: Motion, body: BodyMap, rotations: Array, root: Array, more: tuple[str, ...] = ()
) -> tuple[Motion, BodyMap, Index]:
    """The chains from the root to all that hangs below the mapped feet and thighs.

    Args:
        motion: the take, for its skeleton, rate and other translations.
        body: of that skeleton.
        rotations: (F, J, 4) local, in place of the motion's own.
        root: (F, 3) path of joint 0, metres, in place of the motion's own.
        more: other parts, whose chains are taken along where they are mapped.

    Returns:
        The small motion, its body map, and the place of its joints in the whole skeleton.
    """
    skeleton = motion.skeleton
    joints = lower_joints(skeleton, body, more)
    place = {int(old): new for new, old in enumerate(joints)}
    tracks = {place[j]: track for j, track in motion.translations.items() if j in place}
    parts = {part: place[j] for part, j in body.joints.items() if j in place}
    return (
        Motion(skeleton.part(joints.tolist()), motion.rate, rotations[:, joints], root, tracks),
        BodyMap(parts),
        joints,
    )


def lower_joints(skeleton: Skeleton, body: BodyMap, more: tuple[str, ...] = ()) -> Index:
    """The joints (J,) of `lower_body`, in order."""
    kept = np.zeros(len(skeleton), bool)
    ends = [body.require(part) for part in body.feet]
    ends += [
        joint
        for part in ("leftUpperLeg", "rightUpperLeg", "hips", *more)
        if (joint := body.get(part)) is not None
    ]
    for joint in ends:
        kept[list(skeleton.path_to(joint))] = True
    for part in body.feet:
        kept[skeleton.subtree(body.require(part))] = True
    return np.flatnonzero(kept)
