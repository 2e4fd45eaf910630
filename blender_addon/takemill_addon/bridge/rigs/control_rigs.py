"""Which armatures are control rigs, each looked through once as long as nothing about it changes."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from typing import NamedTuple

import bpy

from takemill.base.errors import TakemillError
from takemill.body.upright import FindBody

from ..scene.steps import Steps, stepwise
from .control_search import find_controls
from .controls import ControlRig


class _Known(NamedTuple):
    """What was found for an armature: how its bones were held, the parts that were asked for, the answer."""

    basis: str
    asked: Mapping[str, str]
    answer: ControlRig | TakemillError | None


_known: dict[str, _Known] = {}
"""By the name of an armature; a search takes seconds."""


@stepwise
def control_rig(armature: bpy.types.Object, find: FindBody | None = None) -> Steps[ControlRig | None]:
    """How `armature` is posed by its controls; None where its body's bones take keys themselves.

    With `find` its body is mapped anew by that, whatever map is kept.

    Raises:
        InputError: the body is held by constraints, and no control moves some part of it by itself.
        BodyMapError: no body is found.
    """
    if not any(bone.constraints for bone in armature.pose.bones):
        return None
    mapped = getattr(armature, "takemill", None)  # the bridge also works where the add-on is switched off
    parts = {part.name: part.bone for part in mapped.parts if part.bone} if mapped and find is None else {}
    basis, known = _basis(armature), _known.get(armature.name_full)
    if find or known is None or known.basis != basis or not _is_of(known, parts):
        try:
            answer: ControlRig | TakemillError | None = yield from find_controls(armature, parts, find)
        except TakemillError as problem:
            answer = problem
        known = _known[armature.name_full] = _Known(basis, parts, answer)
    if isinstance(known.answer, TakemillError):
        raise known.answer
    return known.answer


def _is_of(known: _Known, parts: Mapping[str, str]) -> bool:
    """Whether an answer is one for these parts."""
    return parts == known.asked or (isinstance(known.answer, ControlRig) and parts == known.answer.parts)


@stepwise
def control_rig_if_any(armature: bpy.types.Object) -> Steps[ControlRig | None]:
    """The same, for reading: a body that cannot be posed can still be read."""
    try:
        return (yield from control_rig.steps(armature))
    except TakemillError:
        return None


def _basis(armature: bpy.types.Object) -> str:
    """All that a search depends on beside the body map, as text."""
    data = armature.animation_data
    drivers = list(data.drivers) if data else []
    known = {curve.data_path for curve in drivers}
    digest = hashlib.sha256(repr([_driver(curve) for curve in drivers]).encode())
    for bone in armature.pose.bones:
        held = [
            (
                one.name,
                one.type,
                one.mute,
                getattr(one, "subtarget", ""),
                one.path_from_id("influence") in known or one.influence > 0,
            )
            for one in bone.constraints
        ]
        locks = (*bone.lock_location, *bone.lock_rotation, bone.lock_rotation_w, bone.lock_rotations_4d)
        parent = bone.parent.name if bone.parent else ""
        rest = [round(value, 5) for row in bone.bone.matrix_local for value in row]
        about = (bone.name, parent, held, locks, rest, bone.bone.use_deform, bone.custom_shape is None)
        digest.update(repr(about).encode())
    return digest.hexdigest()


def _driver(curve: bpy.types.FCurve) -> tuple[object, ...]:
    """What a driver makes of what."""
    read = [
        (variable.name, variable.type, target.data_path, target.bone_target, target.transform_type)
        for variable in curve.driver.variables
        for target in variable.targets
    ]
    shape = [tuple(getattr(one, "coefficients", ())) for one in curve.modifiers if not one.mute]
    keys = [tuple(point.co) for point in curve.keyframe_points]
    return curve.data_path, curve.mute, curve.driver.type, curve.driver.expression, read, shape, keys
