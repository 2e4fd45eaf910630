"""Poses of a character's own: the first frame of one of its Actions or animations."""

from __future__ import annotations

from ..base.checks import Array
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.skeleton import Reference, Skeleton
from ..body.upright import is_upright, rest_poses
from ..maths.axes import up_vector


def pose_by_names(skeleton: Skeleton, motion: Motion) -> Array:
    """A skeleton's local rotations (J, 4) in a motion's first frame, by the joints' names; others rest."""
    pose = skeleton.rest_rotation.copy()
    theirs = {name: joint for joint, name in enumerate(motion.skeleton.names)}
    for joint, name in enumerate(skeleton.names):
        if name in theirs:
            pose[joint] = motion.rotations[0, theirs[name]]
    return pose


def with_rest_pose(skeleton: Skeleton, body: BodyMap, motion: Motion, name: str) -> Skeleton:
    """The skeleton whose reference pose is the first frame of its own motion called `name`.

    Raises:
        InputError: no body stands upright in it.
    """
    pose = pose_by_names(skeleton, motion)
    posed = Skeleton(skeleton.names, skeleton.parents, skeleton.rest_translation, pose)
    if not is_upright(rest_poses(posed), body, up_vector("Z")):
        raise InputError(
            f"rest pose: in the first frame of {name!r} the character does not stand upright with level "
            "hips; choose another one, or leave it out for the rest pose"
        )
    return skeleton.with_reference(Reference(pose, skeleton.rest_translation, name))
