"""Control rigs for tests: one made by the generator that Blender bundles, and one of the tests' own.

The own one has other names, no shapes of bones, legs that a chain of inverse kinematics holds until a
property says otherwise, and arms that a bare constraint copies from a second skeleton.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

import addon_utils
import bpy
import numpy as np

SHARE = "free"
"""The property of the own rig that lets the legs go."""


@contextmanager
def generator() -> Iterator[None]:
    """Blender's bundled rig generator switched on; afterwards as it was."""
    was_on, handlers = addon_utils.check("rigify")[1], list(bpy.app.handlers.load_post)
    addon_utils.enable("rigify", default_set=True)
    try:
        yield
    finally:
        if not was_on:
            addon_utils.disable("rigify", default_set=True)
            bpy.app.handlers.load_post[:] = (
                handlers  # it leaves one of its own, which then fails on each load
            )


def generated() -> tuple[bpy.types.Object, bpy.types.Object]:
    """The bundled human metarig and the control rig that is generated from it."""
    bpy.ops.object.armature_human_metarig_add()
    metarig = bpy.context.object
    bpy.ops.pose.rigify_generate()
    rig = next(one for one in bpy.data.objects if one.type == "ARMATURE" and one is not metarig)
    return metarig, rig


def skin(armature: bpy.types.Object, bones: list[str], size: float = 0.05) -> bpy.types.Object:
    """A mesh with a triangle beside the head of each bone, weighted to it alone."""
    mesh = bpy.data.meshes.new("skin")
    heads = [armature.data.bones[name].head_local for name in bones]
    corners = np.array([[0.0, 0.0, 0.0], [size, 0.0, 0.0], [0.0, size, 0.0]])
    mesh.from_pydata(np.concatenate([np.array(head) + corners for head in heads]).tolist(), [], [
        (k, k + 1, k + 2) for k in range(0, 3 * len(bones), 3)
    ])  # fmt: skip
    item = bpy.data.objects.new("skin", mesh)
    bpy.context.scene.collection.objects.link(item)
    item.parent = armature
    item.modifiers.new("skin", "ARMATURE").object = armature
    for k, name in enumerate(bones):
        item.vertex_groups.new(name=name).add([3 * k, 3 * k + 1, 3 * k + 2], 1.0, "REPLACE")
    return item


def vertices(mesh: bpy.types.Object, frames) -> np.ndarray:
    """The skinned vertices (F, N, 3) in the world, as Blender shows them."""
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        shown = mesh.evaluated_get(bpy.context.evaluated_depsgraph_get())
        out.append([tuple(shown.matrix_world @ vertex.co) for vertex in shown.data.vertices])
    return np.array(out)


_COPIED = {
    "pelvis": "", "belly": "pelvis", "ribs": "belly", "throat": "ribs", "skull": "throat",
    **{
        f"{bone}_{side}": f"{above}_{side}" if above not in ("pelvis", "ribs") else above
        for side in "lr"
        for bone, above in (
            ("hip", "pelvis"), ("knee", "hip"), ("ankle", "knee"), ("ball", "ankle"),
            ("clav", "ribs"), ("arm", "clav"), ("elbow", "arm"), ("wrist", "elbow"),
        )
    },
}  # fmt: skip
_PLACES = {
    "pelvis": ((0, 0, 0.95), (0, 0, 1.08)), "belly": ((0, 0, 1.08), (0, 0, 1.24)),
    "ribs": ((0, 0, 1.24), (0, 0, 1.48)), "throat": ((0, 0, 1.48), (0, 0, 1.58)),
    "skull": ((0, 0, 1.58), (0, 0, 1.78)), "hip": ((0.1, 0, 0.92), (0.1, -0.01, 0.5)),
    "knee": ((0.1, -0.01, 0.5), (0.1, 0.01, 0.09)), "ankle": ((0.1, 0.01, 0.09), (0.1, -0.13, 0.03)),
    "ball": ((0.1, -0.13, 0.03), (0.1, -0.2, 0.02)), "clav": ((0.03, 0, 1.43), (0.17, 0, 1.44)),
    "arm": ((0.17, 0, 1.44), (0.45, 0.01, 1.44)), "elbow": ((0.45, 0.01, 1.44), (0.7, 0, 1.44)),
    "wrist": ((0.7, 0, 1.44), (0.87, 0, 1.44)),
}  # fmt: skip


def own_rig(switch: bool = True, free_at: float = 1.0) -> bpy.types.Object:
    """The tests' own control rig; the `switch` lets its legs go `free_at` 1 or 0, without it nothing does."""
    armature = bpy.data.objects.new("puppet", bpy.data.armatures.new("puppet"))
    bpy.context.scene.collection.objects.link(armature)
    bpy.context.view_layer.objects.active = armature
    bpy.ops.object.mode_set(mode="EDIT")
    edit = armature.data.edit_bones
    base = edit.new("ground")
    base.head, base.tail, base.use_deform = (0, 0, 0), (0, 0.5, 0), False
    for prefix in ("h.", "b."):
        for name, above in _COPIED.items():
            bone = edit.new(prefix + name)
            head, tail = (np.array(one, float) for one in _PLACES[name.split("_")[0]])
            mirror = np.array([-1.0 if name.endswith("_r") else 1.0, 1.0, 1.0])
            bone.head, bone.tail = head * mirror, tail * mirror
            bone.use_deform = prefix == "b."
            bone.parent = edit[prefix + above] if above else base
    for side in "lr":
        goal = edit.new(f"goal_{side}")
        x = 0.1 if side == "l" else -0.1
        goal.head, goal.tail, goal.use_deform, goal.parent = (x, 0.01, 0.09), (x, 0.2, 0.09), False, base
    bpy.ops.object.mode_set(mode="OBJECT")
    pose = armature.pose.bones
    pose["ground"][SHARE] = 1.0 - free_at
    pose["ground"].id_properties_ui(SHARE).update(min=0.0, max=1.0)
    for name in _COPIED:
        copy = pose["b." + name].constraints.new("COPY_TRANSFORMS")
        copy.target, copy.subtarget = armature, "h." + name
    for side in "lr":
        chain = pose[f"h.knee_{side}"].constraints.new("IK")
        chain.target, chain.subtarget, chain.chain_count = armature, f"goal_{side}", 2
        if switch:
            curve = chain.driver_add("influence")
            curve.driver.type = "SCRIPTED"
            variable = curve.driver.variables.new()
            variable.name, variable.type = "share", "SINGLE_PROP"
            variable.targets[0].id, variable.targets[0].data_path = (
                armature,
                f'pose.bones["ground"]["{SHARE}"]',
            )
            curve.driver.expression = "1 - share" if free_at else "share"
    bpy.context.view_layer.update()
    return armature
