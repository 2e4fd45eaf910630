"""The pose that an Action gives an armature at one moment, by its curves: quick, whatever its length."""

from __future__ import annotations

from typing import NamedTuple

import bpy
import numpy as np

from takemill.base.checks import Array, Index
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
        rest: (J, 4, 4) the rest of each bone on the one above it.
        moves: (J, 3, 3) from a bone's location to its move on the one above it.
    """

    rig: Rig
    total: int
    rows: Index
    places: Index
    rest: Array
    moves: Array


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
    rest, turns = np.zeros((len(rig.names), 4, 4)), quat.to_matrix(rig.skeleton.rest_rotation)
    rest[:, :3, :3], rest[:, :3, 3], rest[:, 3, 3] = turns, rig.skeleton.rest_translation, 1.0
    moves = np.where(rig.local_location[:, None, None], turns, np.eye(3)) * ~rig.connected[:, None, None]
    return Played(rig, len(curves), np.array(rows, np.intp), np.array(places, np.intp), rest, moves)


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
    # All in turn: that takes three quarters of the time of those of some rows, each sought by its number.
    now = np.array([curve.evaluate(frame) for curve in curves])
    values.reshape(-1)[played.places] = now[played.rows]
    model = kinematics.model_from_matrices(rig.parents, _local_matrices(played, values))
    heads = model[:, :3, 3]
    return heads, heads + rig.length[:, None] * model[:, :3, 1]


def _local_matrices(played: Played, values: Array) -> Array:
    """Locations and rotations as bones keep them (J, 7) -> each bone on the one above it (J, 4, 4).

    As `Rig.local_from_basis` has it, in a third of the time where no bone goes without its parent's turn.
    """
    rig, rotations = played.rig, quaternions_of(played.rig, values[None, :, 3:])
    local = played.rest.copy()
    if rig.inherits_rotation.all():
        local[:, :3, :3] = played.rest[:, :3, :3] @ _turns(rotations[0])
        local[:, :3, 3] += (played.moves @ values[:, :3, None])[..., 0]
    else:
        turns, local[:, :3, 3] = (one[0] for one in rig.local_from_basis(values[None, :, :3], rotations))
        local[:, :3, :3] = _turns(turns)
    return local


def _turns(rotations: Array) -> Array:
    """Quaternions (J, 4) of one pose -> (J, 3, 3): a fifth of the time of `quat.to_matrix` for so few."""
    products = (rotations[:, :, None] * rotations[:, None, :]).reshape(-1, 16)
    return (products @ _PRODUCTS).reshape(-1, 3, 3)


def _matrix_products() -> Array:
    """(16, 9): from the products of a unit quaternion's components to its rotation matrix, row by row."""
    w, *axes = np.eye(4)
    out = np.zeros((3, 3, 4, 4))
    for k, axis in enumerate(axes):
        out[k, k] = np.outer(w, w) + 2 * np.outer(axis, axis) - sum(np.outer(one, one) for one in axes)
        i, j = (k + 1) % 3, (k + 2) % 3
        out[i, j] = 2 * np.outer(axes[i], axes[j]) - 2 * np.outer(w, axis)
        out[j, i] = 2 * np.outer(axes[i], axes[j]) + 2 * np.outer(w, axis)
    return out.reshape(9, 16).T


_PRODUCTS = _matrix_products()


def needs_evaluation(armature: bpy.types.Object, action: bpy.types.Action) -> tuple[str, ...]:
    """Why the curves of an Action alone do not give the pose of an armature; empty when they do.

    Raises:
        InputError: the Action has no keys on the armature's bones.
    """
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    return evaluation_reasons(armature, bag, [one.curve for one in bone_curves(bag)])
