"""The upright pose from which all that is known of a body is read: kept from Map Body, or found anew.

What was found counts for the bones, their place and the settings it was found with. When one of them has
changed it is found again from the take at hand, so that no stage works with a pose that no longer holds.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import replace

import bpy
import numpy as np

from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.body.reference_pose import with_reference
from takemill.body.skeleton import Reference, Skeleton
from takemill.body.upright import FindBody
from takemill.pipeline.prepare_take import body_of
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import with_asked_reference

from ..motion.read_action import Take, read_take
from ..rigs.rig import ArmatureFrame, Rig
from ..scene import actions, scene_time, stored
from ..scene.steps import Steps, apart, stepwise
from . import recipe


def basis_of(scene: bpy.types.Scene, frame: ArmatureFrame, asked: str) -> str:
    """All that a reading of takes depends on beside bones and keys, as text."""
    place = [round(float(value), 4) for value in (*frame.rotation, frame.size)]
    return json.dumps([asked, round(scene_time.frame_rate(scene), 4), place])


@stepwise
def find(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    motion: Motion,
    settings: Recipe,
    body: FindBody | None = None,
) -> Steps[Motion]:
    """A take of `armature`, as the character sees it, with the reference pose that the recipe asks for.

    `body` gives a skeleton's body map where it is known; it touches no Blender data.

    Raises:
        TakemillError: the pose that is asked for is not there.
    """
    settings = replace(settings, body=here(settings, armature, motion.skeleton))
    motion = yield from apart(with_reference, motion, body or (lambda skeleton: body_of(skeleton, settings)))
    if not settings.intake.reference:
        return motion
    return with_asked_reference(motion, settings, lambda asked: _other(context, armature, asked))


def here(settings: Recipe, armature: bpy.types.Object, skeleton: Skeleton) -> dict[str, str]:
    """The corrections of a recipe that are of this armature's body: its own, else [body] with its bones."""
    own = settings.said_of(armature.name)
    if own is not None and own.body:
        return dict(own.body)
    known = all(name in skeleton.names for name in settings.body.values() if name)
    return dict(settings.body) if known else {}


def _other(context: bpy.types.Context, armature: bpy.types.Object, asked: str) -> tuple[Skeleton, str]:
    """The skeleton of another take of the armature, an Action by its name or by its file's."""
    action = next(
        (one for one in bpy.data.actions if asked in (one.name, f"{one.name}.bvh", one.takemill.file)), None
    )
    if action is None:
        raise InputError(
            f"reference pose: {asked!r} is no second (1.5), no frame (90f) and not the word rest, and no "
            "action is called so; import that take first"
        )
    take = read_take(context, armature, action, ArmatureFrame.of(armature).standing)
    return with_reference(take.motion).skeleton, asked


@stepwise
def referred(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    take: Take,
    body: FindBody | None = None,
    settings: Recipe | None = None,
) -> Steps[Motion]:
    """The motion of a take with the armature's reference pose: the one that is kept, if it still holds.

    `body` gives a skeleton's body map where one is kept; `settings` are the scene's unless given.

    Raises:
        TakemillError: the pose that is asked for is not there.
    """
    asked = settings.intake.reference if settings else context.scene.takemill.intake_reference
    kept = _kept(armature, take.rig, basis_of(context.scene, take.frame, asked))
    if kept is not None:
        (pose,) = kept
    else:
        raw, motion = actions.first_here(action), take.motion
        if raw.takemill.performer:  # fitted: characters rest upright
            return motion
        if raw != action:
            motion = (yield from read_take.steps(context, armature, raw, take.frame)).motion
        settings = settings or recipe.recipe_of(context.scene)
        found = yield from find.steps(context, armature, motion, settings, body)
        pose = found.skeleton.reference
    return take.motion.with_skeleton(take.motion.skeleton.with_reference(pose))


@stepwise
def find_and_keep(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    settings: Recipe,
    body: FindBody | None = None,
) -> Steps[Motion]:
    """The take that an Action was made from, with its reference pose, which is kept with the armature.

    Raises:
        TakemillError: the take cannot be read, or the pose that is asked for is not there.
    """
    frame = ArmatureFrame.of(armature).standing
    take = yield from read_take.steps(context, armature, actions.first_here(action), frame)
    motion = yield from find.steps(context, armature, take.motion, settings, body)
    _keep(context.scene, armature, take.rig, frame, motion.skeleton)
    return motion


def kept_on(
    scene: bpy.types.Scene, armature: bpy.types.Object, rig: Rig, frame: ArmatureFrame, skeleton: Skeleton
) -> Skeleton | None:
    """The skeleton with the reference pose that is kept with its armature; None where none holds."""
    pose = _kept(armature, rig, basis_of(scene, frame, scene.takemill.intake_reference))
    return None if pose is None else skeleton.with_reference(pose[0])


def _keep(
    scene: bpy.types.Scene, armature: bpy.types.Object, rig: Rig, frame: ArmatureFrame, skeleton: Skeleton
) -> None:
    """Keep the reference pose of a skeleton with its armature."""
    pose, known = skeleton.reference, scene.takemill.intake_reference
    armature.takemill.reference = json.dumps(
        {
            "basis": basis_of(scene, frame, known),
            "bones": _digest(rig),
            "origin": pose.origin if pose else "rest",
            "score": pose.score if pose else 1.0,
            "rotation": pose.rotation.tolist() if pose else [],
            "translation": pose.translation.tolist() if pose else [],
        }
    )


def _kept(armature: bpy.types.Object, rig: Rig, basis: str) -> tuple[Reference | None] | None:
    """What is kept, as the only item, if it holds: a pose, or None for the rest pose."""
    if not armature.takemill.reference:
        return None
    try:
        said = stored.reference(armature.takemill.reference)
    except ValueError:  # somebody has changed it: found anew
        return None
    if said["basis"] != basis or said["bones"] != _digest(rig):
        return None
    if not said["rotation"]:
        return (None,)
    arrays = np.array(said["rotation"], float), np.array(said["translation"], float)
    if [one.shape for one in arrays] != [(len(rig.names), 4), (len(rig.names), 3)]:
        return None
    return (Reference(*arrays, said["origin"], said["score"]),)


def _digest(rig: Rig) -> str:
    """What tells bones and their rest from others."""
    digest = hashlib.sha256(repr((rig.names, rig.parents)).encode())
    for array in (rig.rest_rotation, rig.rest_position):
        digest.update(np.ascontiguousarray(array.round(5) + 0.0, "<f8").tobytes())
    return digest.hexdigest()[:16]
