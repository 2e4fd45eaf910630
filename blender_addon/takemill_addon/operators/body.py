"""Which part is mapped to which bone, and a root bone where there is none."""

from __future__ import annotations

import bpy

from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.body_parts import HUMANOID

from ..bridge import stage
from ..bridge.rig import ArmatureFrame, read_rig


class TAKEMILL_OT_map_body(stage.Stage, bpy.types.Operator):
    """Map the parts of the body to bones, by their names, their parents and where they lie"""

    bl_idname = "takemill.map_body"
    bl_label = "Map Body"
    needs = (stage.an_armature,)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        frame = ArmatureFrame.of(armature).standing
        skeleton = frame.world_skeleton(read_rig(armature).skeleton)
        body = find_body_map(skeleton)
        stage.keep_body(armature, body, skeleton)
        return f"{len(body.joints)} parts mapped on {armature.name}, {skeleton.height:.2f} m tall"


class TAKEMILL_OT_add_part(stage.Stage, bpy.types.Operator):
    """Add a body part that was not found, to name its bone by hand"""

    bl_idname = "takemill.add_part"
    bl_label = "Add Part"
    needs = (stage.an_armature,)

    def _free_parts(self, context):
        armature = stage.armature_of(context)
        taken = {part.name for part in armature.takemill.parts} if armature else set()
        parts = [part for part in (*HUMANOID, "root", "tail.0", "tail.1", "tail.2") if part not in taken]
        TAKEMILL_OT_add_part.kept = [(part, part, "") for part in parts]  # Blender needs the strings kept
        return TAKEMILL_OT_add_part.kept

    part: bpy.props.EnumProperty(
        name="Part", items=_free_parts, description="The part of the body to be mapped"
    )

    def invoke(self, context, event):
        return context.window_manager.invoke_props_dialog(self)

    def run(self, context: bpy.types.Context) -> str:
        parts = stage.armature_of(context).takemill
        parts.parts.add().name = self.part
        parts.part_index = len(parts.parts) - 1
        return f"choose the bone that {self.part} is mapped to"


class TAKEMILL_OT_add_root_bone(stage.Stage, bpy.types.Operator):
    """Add a bone "root" on the floor below the character and hang the hips from it; no pose changes"""

    bl_idname = "takemill.add_root_bone"
    bl_label = "Add Root Bone"
    needs = (stage.an_armature, stage.a_body)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        parts = {part.name: part.bone for part in armature.takemill.parts}
        if parts.get("root"):
            raise InputError(f"armature {armature.name!r}: it has a root bone already")
        if armature.library or armature.data.library:
            raise InputError(f"armature {armature.name!r}: it is linked from another file; do it there")
        if parts.get("hips") not in armature.data.bones:
            raise InputError(f"armature {armature.name!r}: no bone is mapped to the hips")
        active, mode = context.view_layer.objects.active, armature.mode
        context.view_layer.objects.active = armature
        bpy.ops.object.mode_set(mode="EDIT")
        name = _new_root(armature.data.edit_bones, parts["hips"])
        bpy.ops.object.mode_set(mode=mode)
        context.view_layer.objects.active = active
        part = armature.takemill.parts.get("root") or armature.takemill.parts.add()
        part.name, part.bone = "root", name
        return f"{armature.name} has a root bone, {name}"


def _new_root(bones, hips: str) -> str:
    """A bone above all that carries `hips`. Along +Y without roll, it rests in the armature's own axes."""
    name = "root"
    while name in bones:  # hips are sometimes called so
        name += "_root_motion"
    top = bones[hips]
    while top.parent:
        top = top.parent
    root = bones.new(name)
    root.head, root.tail, root.roll = (0, 0, 0), (0, max(top.length, 0.1), 0), 0
    root.use_deform = False
    top.parent, top.use_connect = root, False
    return name


CLASSES = (TAKEMILL_OT_map_body, TAKEMILL_OT_add_part, TAKEMILL_OT_add_root_bone)
