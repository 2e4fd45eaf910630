"""What all operators share: their poll, their errors, and how they see the scene."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import bpy

from takemill.base.errors import BodyMapError, TakemillError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.skeleton import Skeleton
from takemill.recipe.recipe import Recipe

from . import actions, intake, reference
from .read_action import Take, read_take
from .rig import ArmatureFrame

Need = Callable[[bpy.types.Context], str]


@dataclass(frozen=True)
class Work:
    """What a stage works on: an armature, its active Action, and both as arrays.

    The take's motion is in metres, Z-up, as the character itself sees it: from where it stands, facing
    its own front.
    """

    armature: bpy.types.Object
    action: bpy.types.Action
    take: Take
    body: BodyMap

    @property
    def keyed(self) -> frozenset[str]:
        """The bones that an Action made of this one keys: those of its own keys, and those of the body."""
        return self.take.keyed | frozenset(self.body.names(self.take.motion.skeleton).values())


def work_from_context(
    context: bpy.types.Context, action: bpy.types.Action | None = None, settings: Recipe | None = None
) -> Work:
    """The work that the active object stands for: with its active Action, or another.

    It is read as the recipe says: the scene's, or another.

    Raises:
        TakemillError: there is no armature, action, pose curve or body map to work on.
    """
    armature = armature_of(context)
    return work_on(context, armature, action or actions.active_action(armature), settings)


def work_on(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    settings: Recipe | None = None,
) -> Work:
    """The work that an Action on an armature stands for.

    Raises:
        TakemillError: there is no pose curve or body map to work on.
    """
    take = read_take(context, armature, action, ArmatureFrame.of(armature).standing)
    known = partial(body_of, armature) if any_part(armature) else None
    motion = reference.referred(context, armature, action, take, known, settings)
    return Work(armature, action, replace(take, motion=motion), body_of(armature, motion.skeleton))


def reading_of(context: bpy.types.Context, work: Work) -> intake.Reading:
    """What the take behind some work was read as."""
    return intake.read_now(context, work, work_on)


def armature_of(context: bpy.types.Context) -> bpy.types.Object | None:
    """The active armature, or the one that bends the active mesh."""
    active = context.view_layer.objects.active
    return armature_behind(active) if active else None


def armature_behind(item: bpy.types.Object) -> bpy.types.Object | None:
    """An armature itself, or the one that bends a mesh."""
    return item if item.type == "ARMATURE" else item.find_armature()


def body_of(armature: bpy.types.Object, skeleton: Skeleton) -> BodyMap:
    """The body map kept with `armature`; a found one where none is kept yet.

    Raises:
        BodyMapError: a bone of the map is gone, or no body is found.
    """
    names = {part.name: part.bone for part in armature.takemill.parts if part.bone}
    if not names:
        return find_body_map(skeleton)
    gone = next((bone for bone in names.values() if bone not in skeleton.names), None)
    if gone is not None:
        raise BodyMapError(
            f"armature {armature.name!r}: its body map names bone {gone!r}, which is gone; map it again"
        )
    return BodyMap.from_names(skeleton, names)


def any_part(armature: bpy.types.Object) -> bool:
    """Whether a body map is kept with an armature."""
    return any(part.bone for part in armature.takemill.parts)


def keep_body(armature: bpy.types.Object, body: BodyMap, skeleton: Skeleton) -> None:
    """Store a body map with the armature, the body's parts in their order."""
    parts = armature.takemill.parts
    armature.takemill.height_m = skeleton.height
    parts.clear()
    for part, bone in body.names(skeleton).items():
        item = parts.add()
        item.name, item.bone = part, bone


def note_reading(work: Work) -> None:
    """Keep with an Action why Blender had to evaluate it, for the panel to say."""
    work.action.takemill.evaluated = "; ".join(work.take.evaluated)


def note_source(new: bpy.types.Action, work: Work) -> None:
    """What every new Action remembers: where it came from. That also keeps the old one in the file."""
    note_reading(work)
    new.takemill.source, new.takemill.repaired = work.action, False
    new.takemill.key_rate = work.take.motion.rate


def copy_cuts(old: bpy.types.Action, new: bpy.types.Action) -> None:
    """The cuts of a take go along to an Action of the same frames that has none."""
    if new.takemill.cuts:
        return
    for cut in old.takemill.cuts:
        item = new.takemill.cuts.add()
        for one in cut.bl_rna.properties:
            if not one.is_readonly:
                setattr(item, one.identifier, getattr(cut, one.identifier))


def replace_on_list(armature: bpy.types.Object, old: bpy.types.Action, new: bpy.types.Action) -> None:
    """A clip on the list goes on with its newest Action."""
    for entry in armature.takemill.clips:
        if entry.action == old:
            entry.action = new


def activate(context: bpy.types.Context, armature: bpy.types.Object) -> None:
    """Select `armature` alone and work on it from now on."""
    active = context.view_layer.objects.active
    if active and active.mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")
    for item in context.view_layer.objects:
        item.select_set(item == armature)
    context.view_layer.objects.active = armature


def is_selected(bone: bpy.types.PoseBone) -> bool:
    """Whether a bone is selected; Blender 4.5 keeps that elsewhere than 5.2."""
    return bone.select if hasattr(bone, "select") else bone.bone.select


def select_bone(context: bpy.types.Context, armature: bpy.types.Object, name: str) -> None:
    """Select this bone alone and make it active; in pose mode, where that is to be seen."""
    at_hand = context.view_layer.objects.active == armature and armature.mode == "OBJECT"
    if at_hand and bpy.ops.object.mode_set.poll():  # type: ignore[call-arg]  # the stubs know another poll
        bpy.ops.object.mode_set(mode="POSE")
    for bone in armature.pose.bones:
        holder = bone if hasattr(bone, "select") else bone.bone
        holder.select = bone.name == name
    armature.data.bones.active = armature.data.bones[name]


def an_armature(context: bpy.types.Context) -> str:
    """Needs an armature."""
    return "" if armature_of(context) else "Select an armature, or a mesh that one bends"


def problem_of_linked(armature: bpy.types.Object) -> str:
    """Why nothing that is done to an armature would be saved; "" where it would."""
    override = armature.override_library
    if armature.library is None and not (override and override.is_system_override):
        return ""
    return (
        f"{armature.name} is linked from another file, and Blender would save nothing that is done to it; "
        "make it editable first (Object > Library Override > Make)"
    )


def not_linked(context: bpy.types.Context) -> str:
    """Needs an armature of which the file keeps changes."""
    return problem_of_linked(armature_of(context))


def an_action(context: bpy.types.Context) -> str:
    """Needs an armature that plays an Action."""
    data = armature_of(context).animation_data
    return "" if data and data.action else "The armature has no action; assign a take to it"


def a_body(context: bpy.types.Context) -> str:
    """Needs a mapped body."""
    return "" if any_part(armature_of(context)) else "Map the body first"


def no_repair_preview(context: bpy.types.Context) -> str:
    """Needs an Action that is not the preview of a repair."""
    preview = armature_of(context).animation_data.action.takemill.preview
    return "Keep or drop the preview of the repair first" if preview else ""


def no_preview(context: bpy.types.Context) -> str:
    """Needs an Action that is there to stay."""
    looping = armature_of(context).animation_data.action.takemill.looping
    return "Stop the preview first" if looping else no_repair_preview(context)


class Stage:
    """An operator of one stage: needs with their reasons, one `run`, and mendable errors as reports."""

    bl_options = {"REGISTER", "UNDO"}
    needs: tuple[Need, ...] = (an_armature, not_linked, an_action, a_body, no_preview)

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        for need in cls.needs:
            reason = need(context)
            if reason:
                cls.poll_message_set(reason)
                return False
        return True

    def read_work(self, context: bpy.types.Context, action: bpy.types.Action | None = None) -> Work:
        """The work at hand, as `work_from_context`; and the user is told what its take was read as."""
        work = work_from_context(context, action)
        self.tell(reading_of(context, work), work.action.name)
        return work

    def tell(self, reading: intake.Reading, name: str) -> None:
        """Report what a take was read as, and what of it no body on a floor can be."""
        if reading.line:
            self.report({"INFO"}, f"{name}: {reading.line}")
        for problem in reading.problems:
            self.report({"WARNING"}, f"{name}: {problem}")

    def execute(self, context: bpy.types.Context) -> set[str]:
        try:
            with busy(context):
                message = self.run(context)
        except TakemillError as problem:
            self.report({"ERROR"}, str(problem))
            return {"CANCELLED"}
        self.report({"INFO"}, message)
        return {"FINISHED"}

    def run(self, context: bpy.types.Context) -> str:
        """Do the work and say what was done. Nothing may be changed before the last thing that can fail."""
        raise NotImplementedError


@contextlib.contextmanager
def busy(context: bpy.types.Context) -> Iterator[None]:
    """A waiting cursor where there is a window to show it."""
    window = None if bpy.app.background else context.window
    if window:
        window.cursor_set("WAIT")
    try:
        yield
    finally:
        if window:
            window.cursor_set("DEFAULT")


def find_active_action(armature: bpy.types.Object) -> bpy.types.Action | None:
    """The active Action of `armature`; None where it has none."""
    return armature.animation_data.action if armature.animation_data else None
