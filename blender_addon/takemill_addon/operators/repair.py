"""The repair of a take: its preview beside the raw take, and the repaired Action."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.health.check import check
from takemill.health.profile import find_profile
from takemill.pipeline.prepare_take import digest_of, prepare_take
from takemill.recipe.recipe import Recipe
from takemill.sensors.misalignment import between_poses

from ..bridge.motion.write_action import carry_on, refresh, write_motion
from ..bridge.rigs import fingerprint
from ..bridge.scene import actions
from ..bridge.scene.scene_time import seconds
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import findings, recipe, stage, takes
from ..bridge.takes.adjust import adjustable
from ..bridge.takes.repair_limits import Limits, asked
from ..properties.repair import REPAIR_FIELDS, RepairProperties


@adjustable(RepairProperties, *REPAIR_FIELDS)
class TAKEMILL_OT_repair_take(stage.Stage, bpy.types.Operator):
    """Repair what the suit did wrong, in a new action beside the take"""

    bl_idname = "takemill.repair_take"
    bl_label = "Repair Take"

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        raw = findings.raw_of(action) or action  # a repaired take is repaired anew, from its raw one
        work = yield from self.read_work.steps(context, raw)
        new, text = yield from _repaired(context, work, " repaired")
        new.takemill.asked = asked(context, armature, raw)
        if raw != action and action.takemill.cuts:
            new.takemill.cuts.clear()
            stage.copy_cuts(action, new)
        return f"{new.name}: {text}"


@adjustable(RepairProperties, *REPAIR_FIELDS)
class TAKEMILL_OT_preview_repair(stage.Stage, bpy.types.Operator):
    """Show the take as it would be repaired, to be compared with the raw take, then kept or dropped"""

    bl_idname = "takemill.preview_repair"
    bl_label = "Preview"
    needs = (stage.an_armature, stage.not_linked, stage.an_action, stage.own_action, stage.a_body)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        raw, old = raw_and_preview(actions.active_action(armature))
        work = yield from self.read_work.steps(context, raw)
        new, text = yield from _repaired(context, work, " preview")
        new.use_fake_user = False  # a preview that is not assigned is not saved
        new.takemill.preview, new.takemill.asked = True, asked(context, armature, raw)
        if old:
            name = old.name
            bpy.data.actions.remove(old)
            new.name = name
        return f"preview of {raw.name}: {text}"


def raw_and_preview(action: bpy.types.Action) -> tuple[bpy.types.Action, bpy.types.Action | None]:
    """The take and its preview, whichever of the two `action` is; the preview None where there is none."""
    if action.takemill.preview and action.takemill.source:
        return action.takemill.source, action
    others = (one for one in bpy.data.actions if one.takemill.preview and one.takemill.source == action)
    return action, next(others, None)


def a_preview(context: bpy.types.Context) -> str:
    """Needs a preview of the active action."""
    found = raw_and_preview(stage.armature_of(context).animation_data.action)[1]
    return "" if found else "There is no preview of this take"


class TAKEMILL_OT_compare_repair(stage.Stage, bpy.types.Operator):
    """Change between the raw take and its repair"""

    bl_idname = "takemill.compare_repair"
    bl_label = "Raw or Repaired"
    needs = (stage.an_armature, stage.an_action, a_preview)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        raw, preview = raw_and_preview(action)
        _play(context, armature, raw if action == preview else preview)
        return f"{actions.active_action(armature).name} is the active action of {armature.name}"


class TAKEMILL_OT_keep_repair(stage.Stage, bpy.types.Operator):
    """Keep the preview as the repaired take"""

    bl_idname = "takemill.keep_repair"
    bl_label = "Keep"
    needs = (stage.an_armature, stage.an_action, a_preview)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        raw, preview = raw_and_preview(actions.active_action(armature))
        preview.takemill.preview, preview.use_fake_user = False, True
        preview.name = actions.fitting_name(raw.name, " repaired")
        _play(context, armature, preview)
        return f"{preview.name} is kept"


class TAKEMILL_OT_drop_repair(stage.Stage, bpy.types.Operator):
    """Go back to the raw take and delete the preview"""

    bl_idname = "takemill.drop_repair"
    bl_label = "Drop"
    needs = (stage.an_armature, stage.an_action, a_preview)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        raw, preview = raw_and_preview(actions.active_action(armature))
        _play(context, armature, raw)
        bpy.data.actions.remove(preview)
        return f"{raw.name} is the active action of {armature.name}"


class TAKEMILL_OT_trim_pose(stage.Stage, bpy.types.Operator):
    """Leave out the T or A pose in which the take begins or ends, in a new action"""

    bl_idname = "takemill.trim_pose"
    bl_label = "Trim Reference Pose"

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        motion = work.take.motion
        start, stop = yield from apart(between_poses, motion, work.body)
        if stop - start == len(motion):
            raise InputError(f"action {work.action.name!r}: it neither begins nor ends in a T or an A pose")
        name = actions.fitting_name(work.action.name, " trimmed")
        first = work.take.start + start
        kept, frame = motion.slice(start, stop), work.take.frame
        new = yield from write_motion.steps(
            context, work.armature, kept, first, name, frame, keyed=work.keyed
        )
        carry_on(work.armature, work.action, new)
        stage.note_source(new, work)
        return f"{new.name}: frames {first} to {first + stop - start - 1}"


def _play(context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action) -> None:
    actions.assign(armature, action, actions.slot_for(action, armature))
    refresh(context.scene)


def _repaired(
    context: bpy.types.Context, work: stage.Work, suffix: str
) -> Steps[tuple[bpy.types.Action, str]]:
    """The take of `work`, repaired, as a new Action with its health; and what was repaired, in words."""
    chosen = repair_recipe(context, work)
    motion, body = work.take.motion, work.body
    kind = chosen.repair.profile or (yield from apart(find_profile, motion, body)).kind
    before = yield from apart(check, motion, body, chosen.health, profile=kind)
    known = replace(chosen, repair=replace(chosen.repair, profile=kind))  # found once for both
    prepared = yield from apart(prepare_take, work.action.name, motion, body, known)
    repaired = prepared.motion
    reading = yield from stage.reading_of.steps(context, work)
    before, after = (findings.as_read(one, reading, len(repaired)) for one in (before, prepared.health))
    health = findings.after_repair(before, prepared.findings, after)
    digest = yield from apart(digest_of, motion)
    name = actions.fitting_name(work.action.name, suffix)
    start, frame = work.take.start, work.take.frame
    new = yield from write_motion.steps(
        context, work.armature, repaired, start, name, frame, keyed=work.keyed
    )
    keys = yield from fingerprint.keys_of.steps(work.action)
    own = yield from fingerprint.keys_of.steps(new)
    if work.action.takemill.checked != digest:
        findings.keep(work.action, before, work.take.start, digest)
        work.action.takemill.keys = keys
    carry_on(work.armature, work.action, new)
    findings.keep(new, health, work.take.start)
    findings.share_accepted(work.action, new)
    stage.note_source(new, work)
    stage.copy_cuts(work.action, new)
    new.takemill.repaired, new.takemill.source_keys, new.takemill.keys = True, keys, own
    takes.keep_made_with(new, "repair", chosen)
    return new, findings.summary(health.findings, after_repair=True)


def repair_recipe(context: bpy.types.Context, work: stage.Work) -> Recipe:
    """The scene's recipe, with the bones and frames that are chosen beside it.

    Raises:
        InputError: the choice leaves no bone or no frame.
    """
    limits = Limits.of(context, work.armature, work.action)
    if limits.missing:
        raise InputError(limits.missing)
    settings = recipe.recipe_of(context.scene)
    repair = settings.repair
    if limits.bones is not None:
        repair = replace(repair, joints=limits.bones)
    if limits.frames is not None:
        repair = replace(repair, ranges_s=_ranges_s(limits.frames, work))
    return replace(settings, repair=replace(repair, leave_s=leave_s(work, settings)))


def leave_s(work: stage.Work, settings: Recipe) -> tuple[tuple[str, float, float], ...]:
    """What a recipe leaves, and what was accepted in the list of findings of a take."""
    take = work.take
    mine = findings.left_s(work.action, take.start, len(take.motion), take.motion.rate)
    return tuple(dict.fromkeys((*settings.repair.leave_s, *mine)))


def _ranges_s(frames: tuple[int, int], work: stage.Work) -> tuple[tuple[float, float], ...]:
    """Scene frames as seconds of the take."""
    first, last = max(frames[0] - work.take.start, 0), frames[1] - work.take.start
    last = min(last, len(work.take.motion) - 1)
    if first >= last:
        raise InputError(f"action {work.action.name!r}: it has no two frames in the chosen range")
    rate = work.take.motion.rate
    return ((seconds(first, rate), seconds(last, rate)),)


def is_behind(context: bpy.types.Context, armature: bpy.types.Object, preview: bpy.types.Action) -> bool:
    """Whether a preview was made with other settings than those that stand now."""
    return preview.takemill.asked != asked(context, armature, preview.takemill.source)


CLASSES = (
    TAKEMILL_OT_repair_take,
    TAKEMILL_OT_preview_repair,
    TAKEMILL_OT_compare_repair,
    TAKEMILL_OT_keep_repair,
    TAKEMILL_OT_drop_repair,
    TAKEMILL_OT_trim_pose,
)
