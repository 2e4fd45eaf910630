"""Rigs that were not built for these tests: Blender's bundled metarigs, as they come and changed; VRM names.

The metarigs are made by Blender's own operators, changed by its own edits, and read as the add-on reads them
(bpy is needed); which of their bones is which part was written by hand. The other is a body with all bones
that VRM 1.0 knows (VRMC_vrm-1.0, humanoid, "List of Humanoid Bones"), each called by its name there.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from fit_bodies import Build, body
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.body_parts import FINGERS, SIDES
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

_TRUNK = {
    "hips": "spine", "spine": "spine.001", "chest": "spine.002", "upperChest": "spine.003",
    "neck": "spine.004", "head": "spine.006", "jaw": "jaw",
}  # fmt: skip
_SIDED = {
    "UpperLeg": "thigh", "LowerLeg": "shin", "Foot": "foot", "Toes": "toe",
    "Shoulder": "shoulder", "UpperArm": "upper_arm", "LowerArm": "forearm", "Hand": "hand", "Eye": "eye",
    "ThumbMetacarpal": "thumb.01", "ThumbProximal": "thumb.02", "ThumbDistal": "thumb.03",
    **{
        f"{finger}{bone}": f"f_{name}.{number:02}"
        for finger, name in (("Index", "index"), ("Middle", "middle"), ("Ring", "ring"), ("Little", "pinky"))
        for number, bone in enumerate(("Proximal", "Intermediate", "Distal"), 1)
    },
}  # fmt: skip
METARIG_BONES = _TRUNK | {
    side + part: f"{bone}.{event}"
    for part, bone in _SIDED.items()
    for side, event in (("left", "L"), ("right", "R"))
}
"""Which bone of the bundled human metarig is which part; the basic one has those of them without a face."""

METARIGS = ("human", "basic_human")


def _number(armature) -> None:
    for number, bone in enumerate(armature.data.bones):
        bone.name = f"b{number:03}"


def _roll(armature) -> None:
    import bpy

    rng = np.random.default_rng(1)
    bpy.ops.object.mode_set(mode="EDIT")
    for bone in armature.data.edit_bones:
        bone.roll += rng.uniform(-np.pi, np.pi)
    bpy.ops.object.mode_set(mode="OBJECT")


def _in_centimetres(armature) -> None:
    from mathutils import Matrix

    armature.data.transform(Matrix.Scale(100.0, 4))
    armature.scale = (0.01, 0.01, 0.01)


def _small(armature) -> None:
    armature.scale = (0.4, 0.4, 0.4)


CHANGES: Mapping[str, Callable] = {
    "as it comes": lambda _: None,
    "numbered": _number,
    "rolled": _roll,
    "in centimetres": _in_centimetres,
    "small": _small,
}


def metarig(kind: str, change: str) -> tuple[Skeleton, dict[str, str]]:
    """A metarig as the add-on reads it, standing in the world, and the bone of each of its parts.

    Blender's bundled rig generator has to be on (tests/control_rigs.py).
    """
    import bpy

    from takemill_addon.bridge.rigs.rig import ArmatureFrame, read_rig

    getattr(bpy.ops.object, f"armature_{kind}_metarig_add")()
    armature = bpy.context.object
    before = [bone.name for bone in armature.data.bones]
    CHANGES[change](armature)
    bpy.context.view_layer.update()
    now = dict(zip(before, (bone.name for bone in armature.data.bones), strict=True))
    skeleton = ArmatureFrame.of(armature).standing.world_skeleton(read_rig(armature).skeleton)
    bpy.data.objects.remove(armature)
    return skeleton, {part: now[bone] for part, bone in METARIG_BONES.items() if bone in now}


def vrm_body() -> tuple[Skeleton, BodyMap]:
    """A T-posed body with all bones of VRM 1.0, called as there; the map is by those names."""
    skeleton, _ = body(Build(trunk=("spine", "chest", "upperChest"), fingers=True, arms_down_deg=0.0))
    added: list[tuple[str, str, Array]] = [("jaw", "head", np.array([0.0, -0.03, 0.02]))]
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        added.append((f"{side}Eye", "head", np.array([0.03 * sign, -0.08, 0.07])))
        above = f"{side}Hand"
        for joint, out in zip(FINGERS["Thumb"], (0.03, 0.04, 0.03), strict=True):
            added.append((f"{side}Thumb{joint}", above, out * np.array([0.7 * sign, -0.7, 0.0])))
            above = f"{side}Thumb{joint}"
    names = [*skeleton.names, *(name for name, _, _ in added)]
    whole = replace(
        skeleton,
        names=tuple(names),
        parents=(*skeleton.parents, *(names.index(above) for _, above, _ in added)),
        rest_translation=np.concatenate([skeleton.rest_translation, [place for _, _, place in added]]),
        rest_rotation=np.concatenate([skeleton.rest_rotation, np.tile(quat.IDENTITY, (len(added), 1))]),
    )
    return whole, BodyMap({name: joint for joint, name in enumerate(names)})
