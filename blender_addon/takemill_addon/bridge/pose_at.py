"""The pose that an Action gives an armature at one moment, by its curves: quick, whatever its length."""

from __future__ import annotations

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.maths import kinematics, quat

from . import actions, rotation_modes
from .bone_curves import bone_curves
from .read_action import evaluation_reasons, quaternions_of
from .rig import Rig


def bones_at(
    armature: bpy.types.Object, action: bpy.types.Action, rig: Rig, frame: float
) -> tuple[Array, Array]:
    """Where the bones of `rig` begin and end (J, 3), (J, 3), in the armature's space.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    place = {name: index for index, name in enumerate(rig.names)}
    paths = [rotation_modes.path_of(mode) for mode in rig.modes]
    location, rotation = rig.location[None].copy(), rig.rotation_values[None].copy()
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    for curve, name, path in bone_curves(bag):
        bone = place.get(name)
        if bone is None:
            continue
        if path == "location":
            location[0, bone, curve.array_index] = curve.evaluate(frame)
        elif path == paths[bone]:
            rotation[0, bone, curve.array_index] = curve.evaluate(frame)
    local = rig.local_from_basis(location, quaternions_of(rig, rotation))
    turned, heads = kinematics.model_from_local(rig.parents, *local)
    along = np.zeros_like(heads)
    along[..., 1] = rig.length
    return heads[0], (heads + quat.rotate(turned, along))[0]


def needs_evaluation(armature: bpy.types.Object, action: bpy.types.Action) -> tuple[str, ...]:
    """Why the curves of an Action alone do not give the pose of an armature; empty when they do.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    return evaluation_reasons(armature, bag, [one.curve for one in bone_curves(bag)])
