"""What all operators share: their poll, their errors, and how they see the scene."""

from __future__ import annotations

import contextlib
import inspect
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import partial

import bpy

from takemill.base.errors import BodyMapError, TakemillError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.skeleton import Skeleton
from takemill.body.upright import FindBody
from takemill.recipe.recipe import Recipe

from ..motion.read_action import Take, read_take
from ..rigs.rig import ArmatureFrame
from ..scene import actions, background
from ..scene.steps import Steps, apart, drain, stepwise, within
from . import adjust, intake, reference

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


@stepwise
def work_from_context(
    context: bpy.types.Context, action: bpy.types.Action | None = None, settings: Recipe | None = None
) -> Steps[Work]:
    """The work that the active object stands for: with its active Action, or another.

    It is read as the recipe says: the scene's, or another.

    Raises:
        TakemillError: there is no armature, action, pose curve or body map to work on.
    """
    armature = armature_of(context)
    chosen = action or actions.active_action(armature)
    return (yield from work_on.steps(context, armature, chosen, settings))


@stepwise
def work_on(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    action: bpy.types.Action,
    settings: Recipe | None = None,
) -> Steps[Work]:
    """The work that an Action on an armature stands for.

    Raises:
        TakemillError: there is no pose curve or body map to work on.
    """
    frame = ArmatureFrame.of(armature).standing
    take = yield from within(read_take.steps(context, armature, action, frame), 0.0, 0.8)
    known = finder_of(armature) if any_part(armature) else None
    motion = yield from reference.referred.steps(context, armature, action, take, known, settings)
    body = yield from apart(finder_of(armature), motion.skeleton)
    return Work(armature, action, replace(take, motion=motion), body)


@stepwise
def reading_of(context: bpy.types.Context, work: Work) -> Steps[intake.Reading]:
    """What the take behind some work was read as."""
    return (yield from intake.read_now.steps(context, work, work_on))


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
    return finder_of(armature)(skeleton)


def finder_of(armature: bpy.types.Object) -> FindBody:
    """What finds the body in a skeleton of `armature` as `body_of` does, and touches no Blender data."""
    parts = {part.name: part.bone for part in armature.takemill.parts if part.bone}
    return partial(_body_in, armature.name, parts)


def _body_in(armature: str, parts: Mapping[str, str], skeleton: Skeleton) -> BodyMap:
    if not parts:
        return find_body_map(skeleton)
    gone = next((bone for bone in parts.values() if bone not in skeleton.names), None)
    if gone is not None:
        raise BodyMapError(
            f"armature {armature!r}: its body map names bone {gone!r}, which is gone; map it again"
        )
    return BodyMap.from_names(skeleton, parts)


def any_part(armature: bpy.types.Object) -> bool:
    """Whether a body map is kept with an armature."""
    return any(part.bone for part in armature.takemill.parts)


def keep_body(armature: bpy.types.Object, body: BodyMap, skeleton: Skeleton) -> None:
    """Store a body map with the armature, the body's parts in their order."""
    parts, wanted = armature.takemill.parts, body.names(skeleton)
    armature.takemill.height_m = skeleton.height
    parts.clear()
    for item in parts:  # rows of a library, which an override can change and not remove
        item.bone = wanted.pop(item.name, "")
    for part, bone in wanted.items():
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
    new.takemill.made = 1 + max(one.takemill.made for one in bpy.data.actions)


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


def own_action(context: bpy.types.Context) -> str:
    """Needs an Action with which the file keeps what is found out."""
    action = armature_of(context).animation_data.action
    if action.library is None and action.override_library is None:
        return ""
    return (
        f"The action {action.name} is linked from another file, and Blender would save nothing that is kept "
        "with it; make it local first (Object > Relations > Make Local)"
    )


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
    """An operator of one stage: needs with their reasons, one `run`, and mendable errors as reports.

    `run` is a plain function where its work is short, and a generator in steps (`steps.py`) where it is long:
    pressed in a window it goes on under a timer then, between redraws; Esc ends it, and all is as it was.
    From scripts and in the background it runs straight through. An operator with a dialog of its own opens it
    by `ask`.
    """

    bl_options = {"REGISTER", "UNDO"}
    needs: tuple[Need, ...] = (an_armature, not_linked, an_action, own_action, a_body, no_preview)
    adjusts: tuple[str, ...] = ()
    """Settings of the scene that are properties of the operator, too (`adjust.py`)."""

    @classmethod
    def poll(cls, context: bpy.types.Context) -> bool:
        for need in (_nothing_running, *cls.needs):
            reason = need(context)
            if reason:
                cls.poll_message_set(reason)
                return False
        return True

    @stepwise
    def read_work(self, context: bpy.types.Context, action: bpy.types.Action | None = None) -> Steps[Work]:
        """The work at hand, as `work_from_context`; and the user is told what its take was read as."""
        work = yield from within(work_from_context.steps(context, action), 0.0, 0.8)
        reading = yield from within(reading_of.steps(context, work), 0.8, 1.0)
        self.tell(reading, work.action.name)
        return work

    def tell(self, reading: intake.Reading, name: str) -> None:
        """Report what a take was read as, and what of it no body on a floor can be."""
        if reading.line:
            self.report({"INFO"}, f"{name}: {reading.line}")
        for problem in reading.problems:
            self.report({"WARNING"}, f"{name}: {problem}")

    def run(self, context: bpy.types.Context) -> str | Steps[str]:
        """Do the work and say what was done. Nothing may be changed before the last thing that can fail.

        In steps: new Actions are taken away and old ones assigned again by themselves where the work fails or
        is stopped; all else is changed after the last yield, or put back in `finally`.
        """
        raise NotImplementedError

    def invoke(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Pressed: choose a file first, where the operator is one of files; then begin."""
        adjust.fill(self, context.scene)
        choose_file = getattr(super(), "invoke", None)
        if choose_file is None:
            return self.begin(context)
        self._asks = True
        return set(choose_file(context, event))

    def ask(self, context: bpy.types.Context, **how: object) -> set[str]:
        """Show the settings in a dialog first; then begin."""
        self._asks = True
        return set(context.window_manager.invoke_props_dialog(self, **how))

    def execute(self, context: bpy.types.Context) -> set[str]:
        """Run straight through; after a dialog, begin."""
        if getattr(self, "_asks", False):
            self._asks = False  # when the user changes settings afterwards, Blender calls this again
            return self.begin(context)
        before, put_back = background.Before(), adjust.apply(self, context.scene)
        try:
            with busy(context):
                work = self.run(context)
                message = work if isinstance(work, str) else self._drained(context, work)
        except BaseException as problem:
            put_back()
            before.restore()
            return self._failed(problem)
        self.report({"INFO"}, message)
        return {"FINISHED"}

    def modal(self, context: bpy.types.Context, event: bpy.types.Event) -> set[str]:
        """Go on with the work; no other event is let through, so that nothing changes meanwhile."""
        try:
            if self._job.runs(context, event):
                return {"RUNNING_MODAL"}
        except BaseException as problem:
            return self._failed(problem)
        if self._job.stopped:
            self.report({"INFO"}, f"{self.bl_label} stopped; nothing was changed")
            return {"CANCELLED"}
        self.report({"INFO"}, self._job.message)
        return {"FINISHED"}

    def cancel(self, context: bpy.types.Context) -> None:
        """Blender is closed, or loads another file."""
        job = getattr(self, "_job", None)  # a dialog that is closed has begun nothing
        if job is not None:
            job.stop()
            job.end(context)

    def begin(self, context: bpy.types.Context) -> set[str]:
        """Go on under a timer where the work is in steps and there is a window; else run straight through."""
        if bpy.app.background:
            return self.execute(context)
        if not inspect.isgeneratorfunction(type(self).run):
            return self.execute(context)
        self._job = background.Job(context, self.bl_label, self.run(context))
        context.window_manager.modal_handler_add(self)
        return {"RUNNING_MODAL"}

    def _drained(self, context: bpy.types.Context, work: Steps[str]) -> str:
        manager = context.window_manager
        manager.progress_begin(0, 100)
        try:
            return drain(work, lambda share: manager.progress_update(round(100 * share)))
        finally:
            manager.progress_end()

    def _failed(self, problem: BaseException) -> set[str]:
        if not isinstance(problem, TakemillError):
            raise problem
        self.report({"ERROR"}, str(problem))
        return {"CANCELLED"}


def _nothing_running(_: bpy.types.Context) -> str:
    """Needs that no other work goes on."""
    return background.refusal()


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
