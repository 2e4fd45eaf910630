"""The pose that an Action gives an armature at one moment, by its curves: quick, whatever its length."""

from __future__ import annotations

from typing import NamedTuple

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.maths import kinematics, quat

from ..rigs import rotation_modes
from ..rigs.bone_curves import bone_curves
from ..rigs.rig import Rig
from ..scene import actions
from .read_action import evaluation_reasons, quaternions_of


class Played(NamedTuple):
    """Where the F-curves of an Action pose the J bones of a rig: found once, good while neither changes.

    Attributes:
        rig: the bones.
        total: of the F-curves in the channelbag.
        rows: of those that pose a bone.
        places: of their values among (J, 7): location, rotation.
    """

    rig: Rig
    total: int
    rows: list[int]
    places: list[int]


def played_on(armature: bpy.types.Object, action: bpy.types.Action, rig: Rig) -> Played:
    """The F-curves of an Action that pose the bones of `rig`.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    place = {name: index for index, name in enumerate(rig.names)}
    paths = [rotation_modes.path_of(mode) for mode in rig.modes]
    curves = actions.channelbag(action, actions.slot_for(action, armature)).fcurves
    rows, places = list[int](), list[int]()
    for row, curve in enumerate(curves):
        name, path = actions.bone_channel(curve.data_path) or ("", "")
        bone = place.get(name)
        if bone is None or curve.is_empty or path not in ("location", paths[bone]):
            continue
        rows.append(row)
        places.append(7 * bone + (0 if path == "location" else 3) + curve.array_index)
    return Played(rig, len(curves), rows, places)


def bones_at(
    armature: bpy.types.Object, action: bpy.types.Action, played: Played, frame: float
) -> tuple[Array, Array]:
    """Where the bones of a rig begin and end (J, 3), (J, 3), in the armature's space.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    curves, rig = actions.channelbag(action, actions.slot_for(action, armature)).fcurves, played.rig
    if len(curves) != played.total:  # some were added or taken away, though nothing was said
        played = played_on(armature, action, rig)
    values = np.concatenate([rig.location, rig.rotation_values], axis=1)
    values.reshape(-1)[played.places] = [curves[row].evaluate(frame) for row in played.rows]
    rotations, translations = rig.local_from_basis(
        values[None, :, :3], quaternions_of(rig, values[None, :, 3:])
    )
    local = np.zeros((len(values), 4, 4))
    local[:, :3, :3], local[:, :3, 3], local[:, 3, 3] = quat.to_matrix(rotations[0]), translations[0], 1.0
    model = kinematics.model_from_matrices(rig.parents, local)
    heads = model[:, :3, 3]
    return heads, heads + rig.length[:, None] * model[:, :3, 1]


def needs_evaluation(armature: bpy.types.Object, action: bpy.types.Action) -> tuple[str, ...]:
    """Why the curves of an Action alone do not give the pose of an armature; empty when they do.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    return evaluation_reasons(armature, bag, [one.curve for one in bone_curves(bag)])
