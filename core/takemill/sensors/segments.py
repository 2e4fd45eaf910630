"""What a suit measures: the orientation of each segment in the world, and back to joint angles.

A fault of one sensor stands in its own joint and, turned around, in each joint below it; in the world it
stands in one segment alone.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton
from ..maths import quat

# What no suit has a sensor on (fingers, eyes, a root) keeps its local turns.
SENSED_PARTS = frozenset(
    ["hips", "spine", "chest", "upperChest", "neck", "head"]
    + [
        side + part
        for side in SIDES
        for part in ("Shoulder", "UpperArm", "LowerArm", "Hand", "UpperLeg", "LowerLeg", "Foot", "Toes")
    ]
)


@dataclass(frozen=True)
class Segments:
    """The segments of a body that have a sensor, N of them, parents first.

    Attributes:
        joints: (N,) the joint that turns each.
        parts: (N,) its body part.
        parents: (N,) the segment above it, -1 for none.
    """

    joints: Index
    parts: tuple[str, ...]
    parents: Index

    def __len__(self) -> int:
        return len(self.parts)


def find_segments(skeleton: Skeleton, body: BodyMap) -> Segments:
    """The segments of a skeleton's body, by the parts that suits have sensors on."""
    parts = sorted((joint, part) for part, joint in body.joints.items() if part in SENSED_PARTS)
    joints = [joint for joint, _ in parts]
    parents = []
    for joint in joints:
        above = skeleton.parents[joint]
        while above >= 0 and above not in joints:
            above = skeleton.parents[above]
        parents.append(joints.index(above) if above >= 0 else -1)
    return Segments(np.array(joints, np.intp), tuple(part for _, part in parts), np.array(parents, np.intp))


def world_from_local(skeleton: Skeleton, segments: Segments, rotations: Array) -> Array:
    """World orientations (F, N, 4) of the segments, from local rotations (F, J, 4) of all joints."""
    out = np.empty((len(rotations), len(segments), 4))
    for place, (joint, parent) in enumerate(zip(segments.joints.tolist(), segments.parents, strict=True)):
        turned, above = rotations[:, joint], skeleton.parents[joint]
        stop = segments.joints[parent] if parent >= 0 else -1
        while above != stop:
            turned, above = quat.mul(rotations[:, above], turned), skeleton.parents[above]
        out[:, place] = quat.mul(out[:, parent], turned) if parent >= 0 else turned
    return out


def local_from_world(
    skeleton: Skeleton, segments: Segments, rotations: Array, world: Array, changed: Mask
) -> Array:
    """Local rotations (F, J, 4) in which some segments are oriented anew; all others stay where they are.

    Args:
        skeleton: of the joints.
        segments: with a sensor.
        rotations: (F, J, 4) local, as they were.
        world: (F, N, 4) of the segments, as they shall be.
        changed: (N,) which segments are oriented anew; the joints of others that hang on none of those keep
            their numbers to the last bit.
    """
    out = rotations.copy()
    for place, (joint, parent) in enumerate(zip(segments.joints.tolist(), segments.parents, strict=True)):
        if not (changed[place] or (parent >= 0 and changed[parent])):
            continue
        way, above = [], skeleton.parents[joint]
        stop = segments.joints[parent] if parent >= 0 else -1
        while above != stop:
            way.append(above)
            above = skeleton.parents[above]
        local = quat.mul(quat.inv(world[:, parent]), world[:, place]) if parent >= 0 else world[:, place]
        for between in reversed(way):  # joints without a sensor keep their turns
            local = quat.mul(quat.inv(rotations[:, between]), local)
        out[:, joint] = local
    quat.make_continuous(out)
    return out
