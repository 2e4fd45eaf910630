"""The way from the core's axes to glTF's: Z-up facing -Y to Y-up facing +Z (glTF 2.0, section 3.4).

Only joints without a parent are turned; what hangs below them keeps its local transform. A motion is turned
once, before its keys are sought, so that whoever bounds their error sees the numbers that the file rounds.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from ..base.checks import Array
from ..body.motion import Motion
from ..body.skeleton import Reference, Skeleton
from ..maths import quat
from ..maths.axes import from_z_up, turn_to_z_up

Y_UP = quat.inv(turn_to_z_up("Y"))
"""The rotation (4,) that `to_y_up` does to points."""


def to_y_up(points: Array) -> Array:
    """Points (..., 3) in glTF's axes."""
    return from_z_up(points, "Y")


def skeleton_in_gltf(skeleton: Skeleton) -> Skeleton:
    """The same joints, the roots turned to glTF's axes."""
    roots = [joint for joint, parent in enumerate(skeleton.parents) if parent < 0]

    def turned(rotations: Array, places: Array) -> tuple[Array, Array]:
        rotations, places = rotations.copy(), places.copy()
        rotations[roots], places[roots] = quat.mul(Y_UP, rotations[roots]), to_y_up(places[roots])
        return rotations, places

    rotations, places = turned(skeleton.rest_rotation, skeleton.rest_translation)
    reference = skeleton.reference
    if reference is not None:
        reference = Reference(
            *turned(reference.rotation, reference.translation), reference.origin, reference.score
        )
    return replace(skeleton, rest_rotation=rotations, rest_translation=places, reference=reference)


def motions_in_gltf(motions: Sequence[Motion]) -> list[Motion]:
    """The same motions in glTF's axes; those of one skeleton have one skeleton again."""
    skeletons: dict[int, Skeleton] = {}
    out = []
    for motion in motions:
        own = motion.skeleton
        if id(own) not in skeletons:
            skeletons[id(own)] = skeleton_in_gltf(own)
        rotations, tracks = motion.rotations.copy(), {0: motion.root_translation, **motion.translations}
        for joint, parent in enumerate(own.parents):
            if parent < 0:
                rotations[:, joint] = quat.mul(Y_UP, rotations[:, joint])
                if joint in tracks:
                    tracks[joint] = to_y_up(tracks[joint])
        root = tracks.pop(0)
        out.append(Motion.trusted(skeletons[id(own)], motion.rate, rotations, root, tracks))
    return out
