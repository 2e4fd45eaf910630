"""Which part is mapped to which bone, and a root bone where there is none."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from dataclasses import replace

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.body.body_map import BodyMap
from takemill.body.body_parts import HUMANOID
from takemill.pipeline.prepare_take import body_of
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import body_in

from ..bridge.motion.read_action import frames_of
from ..bridge.rigs.control_rigs import control_rig
from ..bridge.rigs.controls import ControlRig
from ..bridge.rigs.rig import ArmatureFrame, read_rig
from ..bridge.scene import actions, kept_rows
from ..bridge.scene.steps import Steps
from ..bridge.takes import recipe, reference, stage
from ..bridge.takes.adjust import adjustable
from ..properties.take import IntakeProperties


@adjustable(IntakeProperties, "intake_reference", "intake_accept")
class TAKEMILL_OT_map_body(stage.Stage, bpy.types.Operator):
    """Map the parts of the body to bones, by their names, their parents and where they lie"""

    bl_idname = "takemill.map_body"
    bl_label = "Map Body"
    needs = (stage.an_armature, stage.not_linked)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        with kept_rows.body_kept_back(stage.armature_of(context)):
            return (yield from self._mapped(context))

    def _mapped(self, context: bpy.types.Context) -> Steps[str]:
        armature, settings = stage.armature_of(context), recipe.recipe_of(context.scene)
        skeleton = ArmatureFrame.of(armature).standing.world_skeleton(read_rig(armature).skeleton)
        action = stage.find_active_action(armature)
        settings = replace(settings, body=reference.here(settings, armature, skeleton))
        held = yield from _held(self, armature, settings)
        if held is not None:
            skeleton = ArmatureFrame.of(armature).standing.world_skeleton(held.rig.skeleton)
            stage.keep_body(armature, BodyMap.from_names(skeleton, held.parts), skeleton)
            armature.takemill.reference = ""
            if action is not None:
                yield from self.read_work.steps(context)
            without = f"; no control of its own: {', '.join(held.lacking)}" if held.lacking else ""
            return (
                f"{len(held.parts)} parts mapped on {armature.name}, posed by {len(held.controls)} "
                f"controls{without}"
            )
        if action is None:
            body = body_of(skeleton, settings)
            armature.takemill.reference = ""
        else:
            motion = yield from reference.find_and_keep.steps(context, armature, action, settings)
            body, skeleton = body_in(motion, settings), motion.skeleton
        stage.keep_body(armature, body, skeleton)
        if action is not None:
            yield from self.read_work.steps(context)  # which reports how tall the body is
            return f"{len(body.joints)} parts mapped on {armature.name}"
        return f"{len(body.joints)} parts mapped on {armature.name}, {skeleton.height:.2f} m tall"


def _held(
    operator: bpy.types.Operator, armature: bpy.types.Object, settings: Recipe
) -> Steps[ControlRig | None]:
    """How a control rig is posed; None for another, and for one that can only be read, which is said."""
    try:
        return (yield from control_rig.steps(armature, lambda skeleton: body_of(skeleton, settings)))
    except InputError as problem:
        operator.report({"WARNING"}, str(problem))
    except TakemillError:  # no body: found among all bones, perhaps
        pass
    return None


class TAKEMILL_OT_reference_here(stage.Stage, bpy.types.Operator):
    """Take the body as it stands in the current frame as the reference pose, and map it again"""

    bl_idname = "takemill.reference_here"
    bl_label = "Reference Pose from This Frame"
    needs = (stage.an_armature, stage.not_linked, stage.an_action, stage.own_action)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        raw = actions.first_here(actions.active_action(armature))
        frames, here = frames_of(raw, armature), context.scene.frame_current
        if here not in frames:
            raise InputError(
                f"frame {here} lies outside of the take {raw.name!r}, {frames.start} to {frames.stop - 1}"
            )
        chosen = context.scene.takemill
        before, chosen.intake_reference = chosen.intake_reference, f"{here - frames.start}f"
        try:
            with kept_rows.body_kept_back(armature):
                return (yield from TAKEMILL_OT_map_body._mapped(self, context))
        except BaseException:  # stopped, too
            chosen.intake_reference = before
            raise


class TAKEMILL_OT_add_part(stage.Stage, bpy.types.Operator):
    """Add a body part that was not found, to name its bone by hand"""

    bl_idname = "takemill.add_part"
    bl_label = "Add Part"
    needs = (stage.an_armature, stage.not_linked)

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
        return self.ask(context)

    def run(self, context: bpy.types.Context) -> str:
        parts = stage.armature_of(context).takemill
        parts.parts.add().name = self.part
        parts.part_index = len(parts.parts) - 1
        return f"choose the bone that {self.part} is mapped to"


class TAKEMILL_OT_add_root_bone(stage.Stage, bpy.types.Operator):
    """Add a bone "root" on the floor below the character and hang the hips from it; no pose changes"""

    bl_idname = "takemill.add_root_bone"
    bl_label = "Add Root Bone"
    needs = (stage.an_armature, stage.not_linked, stage.a_body)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        parts = {part.name: part.bone for part in armature.takemill.parts}
        if parts.get("root"):
            raise InputError(f"armature {armature.name!r}: it has a root bone already")
        if armature.data.library or armature.data.override_library:
            raise InputError(
                f"armature {armature.name!r}: its bones are linked from another file; do it there"
            )
        if parts.get("hips") not in armature.data.bones:
            raise InputError(f"armature {armature.name!r}: no bone is mapped to the hips")
        with _editable(context, armature) as bones:
            name = _new_root(bones, parts["hips"])
        part = armature.takemill.parts.get("root") or armature.takemill.parts.add()
        part.name, part.bone = "root", name
        action = stage.find_active_action(armature)
        if armature.takemill.reference and action is not None:  # it is kept for the bones as they were
            settings, find = recipe.recipe_of(context.scene), stage.finder_of(armature)
            try:
                yield from reference.find_and_keep.steps(context, armature, action, settings, find)
            except BaseException:  # stopped, too
                part.bone = ""
                with _editable(context, armature) as bones:
                    bones.remove(bones[name])
                raise
        return f"{armature.name} has a root bone, {name}"


@contextlib.contextmanager
def _editable(
    context: bpy.types.Context, armature: bpy.types.Object
) -> Iterator[bpy.types.bpy_prop_collection]:
    """The edit bones of an armature; afterwards the active object and its mode are as they were."""
    active, mode = context.view_layer.objects.active, armature.mode
    context.view_layer.objects.active = armature
    bpy.ops.object.mode_set(mode="EDIT")
    try:
        yield armature.data.edit_bones
    finally:
        bpy.ops.object.mode_set(mode=mode)
        context.view_layer.objects.active = active


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


CLASSES = (
    TAKEMILL_OT_map_body,
    TAKEMILL_OT_reference_here,
    TAKEMILL_OT_add_part,
    TAKEMILL_OT_add_root_bone,
)
