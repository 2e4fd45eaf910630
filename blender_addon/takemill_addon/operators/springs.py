"""The springs of a character: chains and colliders kept with it, and how they swing in an Action."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.pipeline.character_springs import springs_of
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.swing_clips import swing_clips
from takemill.recipe.recipe_springs import SpringsSpec

from ..bridge.characters.springs import chains_of, keep_springs, pose_before
from ..bridge.characters.targets import Target
from ..bridge.clips import clip_record
from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.write_action import write_motion
from ..bridge.scene import actions, kept_rows
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import recipe, stage
from .cuts import preview, write_events
from .loop import loop_behind

_ON_ARMATURE = (stage.an_armature, stage.not_linked)
_ON_ACTION = (*_ON_ARMATURE, stage.an_action, stage.a_body, stage.no_repair_preview)


class TAKEMILL_OT_find_chains(stage.Stage, bpy.types.Operator):
    """List the chains that the recipe names for this character, or that its names and body map show"""

    bl_idname = "takemill.find_chains"
    bl_label = "Find Chains"
    needs = (*_ON_ARMATURE, stage.a_body)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        known = recipe.recipe_of(context.scene).said_of(armature.name)
        asked = known.springs if known and known.springs else SpringsSpec(find=True)
        target = yield from Target.of.steps(context.scene, armature)
        found = yield from apart(springs_of, asked, target.skeleton, target.body)
        if not found.chains:
            raise InputError(
                f"armature {armature.name!r}: no bone is called tail, ear, hair or strap; select the first "
                "and the last bone of a chain in pose mode and press + beside the list"
            )
        keep_springs(armature, found, target.skeleton)
        return f"{len(found.chains)} chains: {', '.join(chain.name for chain in found.chains)}"


class TAKEMILL_OT_add_chain(stage.Stage, bpy.types.Operator):
    """Add the selected bones as a chain: from the first of them down to the last"""

    bl_idname = "takemill.add_chain"
    bl_label = "Add Chain"
    needs = _ON_ARMATURE

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        chosen = [bone for bone in armature.pose.bones if stage.is_selected(bone)]
        if not chosen:
            raise InputError("select the first and the last bone of the chain, in pose mode")
        first, last = chosen[0], max(chosen, key=lambda bone: len(bone.parent_recursive))
        if any(bone != last and bone not in last.parent_recursive for bone in chosen):
            raise InputError(
                f"the selected bones are not one chain down to {last.name!r}; a branch is a chain of its own"
            )
        known = armature.takemill
        item = known.chains.add()
        item.name, item.first = first.name, first.name
        item.last = last.name if last != first else ""
        known.chain_index = len(known.chains) - 1
        return f"{item.name} is a chain of {armature.name}"


class TAKEMILL_OT_remove_chain(stage.Stage, bpy.types.Operator):
    """Take the chosen chain off the list"""

    bl_idname = "takemill.remove_chain"
    bl_label = "Remove Chain"
    needs = _ON_ARMATURE

    def run(self, context: bpy.types.Context) -> str:
        return _removed(stage.armature_of(context).takemill, "chains", "chain_index")


class TAKEMILL_OT_add_collider(stage.Stage, bpy.types.Operator):
    """Put a ball on the active bone that chains cannot pass through"""

    bl_idname = "takemill.add_collider"
    bl_label = "Add Collider"
    needs = _ON_ARMATURE

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        bone, known = armature.data.bones.active, armature.takemill
        if bone is None:
            raise InputError("make the bone active that is to carry the collider")
        names = {one.name for one in known.colliders}
        free = (f"{bone.name} {number}" for number in range(1, len(names) + 2))
        item = known.colliders.add()
        item.name, item.bone = next(name for name in free if name not in names), bone.name
        known.collider_index = len(known.colliders) - 1
        return f"{item.name} is a collider of {armature.name}"


class TAKEMILL_OT_remove_collider(stage.Stage, bpy.types.Operator):
    """Take the chosen collider off the list"""

    bl_idname = "takemill.remove_collider"
    bl_label = "Remove Collider"
    needs = _ON_ARMATURE

    def run(self, context: bpy.types.Context) -> str:
        return _removed(stage.armature_of(context).takemill, "colliders", "collider_index")


def _removed(known, rows: str, index: str) -> str:
    listed, place = getattr(known, rows), getattr(known, index)
    if not 0 <= place < len(listed):
        raise InputError("there is none to remove")
    name = kept_rows.remove_row(listed, place)
    setattr(known, index, max(0, place - 1))
    return f"{name} taken off the list"


class TAKEMILL_OT_preview_swing(stage.Stage, bpy.types.Operator):
    """Show how the chains swing in the action; nothing is changed, and the preview is not kept"""

    bl_idname = "takemill.preview_swing"
    bl_label = "Preview Swing"
    needs = _ON_ACTION

    def run(self, context: bpy.types.Context) -> Steps[str]:
        old = actions.active_action(stage.armature_of(context))
        work = yield from self.read_work.steps(context, loop_behind(old))
        posed = old.takemill.posed if old.takemill.looping else pose_before(work.armature, old)
        new, clip = yield from _write(context, work, " swing preview")
        new.takemill.posed = posed
        new.use_fake_user, new.use_cyclic = False, clip.loop
        new.takemill.source, new.takemill.looping = work.action, True
        new.takemill.swings = True
        start, frame = work.take.start, context.scene.frame_current
        preview(context.scene, start, start + len(clip.motion) - 1 - clip.loop)
        if old.takemill.swings:  # it goes on where it was
            context.scene.frame_set(frame)
        _drop_preview(old)
        return f"{work.action.name}: {_told(clip)}"


class TAKEMILL_OT_swing_chains(stage.Stage, bpy.types.Operator):
    """Let the chains swing after the body, in a new action"""

    bl_idname = "takemill.swing_chains"
    bl_label = "Swing Chains"
    needs = _ON_ACTION

    def run(self, context: bpy.types.Context) -> Steps[str]:
        old = actions.active_action(stage.armature_of(context))
        work = yield from self.read_work.steps(context, loop_behind(old))
        new, clip = yield from _write(context, work, " swing")
        if work.action.takemill.record:
            replace(ClipRecord.of_action(work.action), swinging=clip.swinging).keep(new)
        stage.note_source(new, work)
        stage.copy_cuts(work.action, new)
        stage.replace_on_list(work.armature, work.action, new)
        _drop_preview(old)
        return f"{new.name}: {_told(clip)}"


def _write(
    context: bpy.types.Context, work: stage.Work, word: str
) -> Steps[tuple[bpy.types.Action, FinishedClip]]:
    """An Action with its chains swinging, in a new, active Action, and what swings in it."""
    clip = yield from _swung(context, work)
    name, start = actions.fitting_name(work.action.name, word), work.take.start
    frame, keyed = work.take.frame, work.keyed
    new = yield from write_motion.steps(context, work.armature, clip.motion, start, name, frame, keyed=keyed)
    if work.action.takemill.record:
        write_events(new, clip.events, start)
    return new, clip


def _swung(context: bpy.types.Context, work: stage.Work) -> Steps[FinishedClip]:
    settings, action = recipe.recipe_of(context.scene), work.action
    clip = yield from clip_record.clip_of.steps(
        action.name, action, work.take.motion, work.body, work.take.start
    )
    if clip.swinging:
        raise InputError(
            f"action {action.name!r}: its chains swing already; go Back to the Source, or make the clip again"
        )
    if clip.additive:
        raise InputError(f"action {action.name!r}: it holds differences, which add no swing of their own")
    fitted = any(one.takemill.performer for one in actions.ancestry(action))
    chains = chains_of(work.armature, work.take.motion.skeleton, work.body, settings, not fitted)
    if not chains.chains:
        raise InputError(f"armature {work.armature.name!r}: no chain of it swings; press Find Chains")
    known = yield from _neutral_clip(context, work, settings.neutral)
    (out,) = yield from apart(swing_clips, [clip], chains, known=known)
    return out


def _neutral_clip(context: bpy.types.Context, work: stage.Work, name: str) -> Steps[FinishedClip | None]:
    """The clip on the armature's list onto which one-shots are blended; None where there is none."""
    entry = work.armature.takemill.clips.get(name) if name else None
    if entry is None or entry.action is None or entry.action == work.action:
        return None
    return (yield from clip_record.read_clip.steps(context, work.armature, entry.name, entry.action))


def _drop_preview(old: bpy.types.Action) -> None:
    if old.takemill.looping:
        bpy.data.actions.remove(old)


def _told(clip: FinishedClip) -> str:
    """What swings, and how far its cycles were mixed, if they were."""
    if clip.swinging is None:
        return "nothing swings"
    names, gap_m = ", ".join(name for name, _ in clip.swinging.chains), clip.swinging.gap_m
    return f"swinging: {names}" + (f"; mixed over {1000 * gap_m:.1f} mm to close" if gap_m else "")


CLASSES = (
    TAKEMILL_OT_find_chains,
    TAKEMILL_OT_add_chain,
    TAKEMILL_OT_remove_chain,
    TAKEMILL_OT_add_collider,
    TAKEMILL_OT_remove_collider,
    TAKEMILL_OT_preview_swing,
    TAKEMILL_OT_swing_chains,
)
