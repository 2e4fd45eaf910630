"""Single stages on the active Action, for clips that were cut by hand, and the list of clips."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.clip.events import foot_events
from takemill.feet.contacts import find_contacts
from takemill.pipeline.cut_clip import Piece, cut_clip
from takemill.pipeline.finish_clip import finish_clip
from takemill.recipe.recipe import ClipSpec, Moment, expect_name

from ..bridge.characters.springs import restore_pose
from ..bridge.clips import clip_record
from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.read_action import frames_of
from ..bridge.motion.write_action import carry_on, write_motion
from ..bridge.scene import actions, kept_rows, views
from ..bridge.scene.pose_markers import shows_finding
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import recipe, stage, takes
from ..properties.clips import ROOT_MOTION
from .cuts import preview, write_events


class TAKEMILL_OT_close_loop(stage.Stage, bpy.types.Operator):
    """Close the action into a loop, in a new action: its last pose becomes its first, but for root motion"""

    bl_idname = "takemill.close_loop"
    bl_label = "Close Loop"

    search: bpy.props.BoolProperty(
        name="Find Best Seam",
        default=True,
        description="Look for the best pair of frames inside the action; otherwise its ends are joined",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        settings = recipe.recipe_of(context.scene)
        record, rate = ClipRecord.of_action(work.action), work.take.motion.rate
        spec = replace(_whole(work), loop=True, search=self.search, kind=record.kind)
        take = yield from takes.prepare_work.steps(work, settings)
        piece = yield from apart(cut_clip, take, spec, settings)
        start, stop = piece.source_range
        record = replace(
            record,
            loop=True,
            candidate=piece.candidate,
            source_range=piece.source_range,
            contacts=piece.contacts,
            touches=piece.contacts,
            settings=takes.as_made(work.action, settings),
            asked=spec,
        )
        new = yield from _write(context, work, piece.motion, work.take.start + start, "loop", record)
        seam = piece.candidate
        gap = f", its seam {seam.quality} ({seam.gap_cm:.1f} cm)" if seam and self.search else ""
        return f"{new.name}: {(stop - 1 - start) / rate:.2f} s{gap}"


class TAKEMILL_OT_extract_root_motion(stage.Stage, bpy.types.Operator):
    """Separate the path over the floor and the turn from the pose, in a new action"""

    bl_idname = "takemill.extract_root_motion"
    bl_label = "Extract Root Motion"

    mode: bpy.props.EnumProperty(
        name="Root Motion",
        items=ROOT_MOTION[:2],
        default="root",
        description="Where it goes in the new action",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        settings = recipe.recipe_of(context.scene)
        if self.mode == "root" and work.body.get("root") is None:
            raise InputError(
                f"armature {work.armature.name!r}: it has no root bone; Add Root Bone in the Body panel"
            )
        settings = takes.as_made(work.action, settings)
        clip = yield from clip_record.clip_of.steps(
            work.action.name, work.action, work.take.motion, work.body, work.take.start
        )
        spec = replace(clip.asked or _whole(work), loop=clip.loop, kind=clip.kind, root_motion=self.mode)
        spec = replace(spec, planar="", turn="", height="", blend_frames=0)
        piece = Piece(
            clip.world_motion,
            clip.body,
            clip.touches or clip.contacts,
            clip.candidate,
            (),
            clip.source,
            clip.source_range,
            clip.stretches,
            idle=clip.idle,
            stretch_joins=clip.stretch_joins,
        )
        made = yield from apart(finish_clip, piece, spec, settings, rooted=False)
        record = replace(ClipRecord.of_clip(made), events=ClipRecord.of_action(work.action).events)
        word = "in place" if self.mode == "in_place" else "root motion"
        new = yield from _write(context, work, made.motion, work.take.start, word, record)
        track = made.root_motion
        return f"{new.name}: {track.distance_m:.2f} m, {track.turn_deg:.0f} degrees of root motion"


def _whole(work: stage.Work) -> ClipSpec:
    """All of an Action as a clip."""
    last = len(work.take.motion) - 1
    return ClipSpec(work.action.name, Moment(0, in_frames=True), Moment(last, in_frames=True))


class TAKEMILL_OT_add_contact_events(stage.Stage, bpy.types.Operator):
    """Add a pose marker where a foot comes down and where it leaves the floor, in a copy of the action"""

    bl_idname = "takemill.add_contact_events"
    bl_label = "Add Foot Contact Events"

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        record, settings = ClipRecord.of_action(work.action), recipe.recipe_of(context.scene)
        contacts = record.contacts
        if contacts is None:
            contacts = yield from apart(find_contacts, work.take.motion, work.body, settings.contacts)
        events = foot_events(contacts, record.loop)
        new = work.action.copy()
        new.name = actions.fitting_name(work.action.name, " events")
        new.use_fake_user = True
        write_events(new, events, work.take.start)
        replace(record, contacts=contacts).keep(new)
        stage.note_source(new, work)
        stage.replace_on_list(work.armature, work.action, new)
        actions.assign(work.armature, new, actions.slot_for(new, work.armature))
        return f"{new.name}: {len(events)} events"


class TAKEMILL_OT_add_event(stage.Stage, bpy.types.Operator):
    """Add an event to the active action at the current frame: a pose marker, which is packed with the clip"""

    bl_idname = "takemill.add_event"
    bl_label = "Add Event"
    needs = (stage.an_armature, stage.not_linked, stage.an_action, stage.own_action, stage.no_preview)

    name: bpy.props.StringProperty(
        name="Name", default="event", description="What the game will know it by, as left.wave"
    )

    def invoke(self, context: bpy.types.Context, _event) -> set[str]:
        return self.ask(context)

    def run(self, context: bpy.types.Context) -> str:
        armature, frame = stage.armature_of(context), context.scene.frame_current
        action, name = actions.active_action(armature), expect_name(self.name.strip(), "event")
        frames = frames_of(action, armature)
        if frame not in frames:
            raise InputError(
                f"action {action.name!r}: frame {frame} lies outside it; "
                f"it has frames {frames.start} to {frames.stop - 1}"
            )
        if any((one.name, one.frame) == (name, frame) for one in action.pose_markers):
            raise InputError(f"action {action.name!r}: it has an event {name!r} at frame {frame} already")
        action.pose_markers.new(name).frame = frame
        return f"{action.name}: {name} at frame {frame}"


def _write(
    context, work: stage.Work, motion, start: int, word: str, record: ClipRecord
) -> Steps[bpy.types.Action]:
    name = actions.fitting_name(work.action.name, f" {word}")
    frame, keyed = work.take.frame, work.keyed
    new = yield from write_motion.steps(context, work.armature, motion, start, name, frame, keyed=keyed)
    carry_on(work.armature, work.action, new)
    record.keep(new)
    for marker in work.action.pose_markers:
        if not shows_finding(marker) and start <= marker.frame < start + len(motion):
            new.pose_markers.new(marker.name).frame = marker.frame
    stage.note_source(new, work)
    stage.replace_on_list(work.armature, work.action, new)
    return new


class TAKEMILL_OT_add_clip(stage.Stage, bpy.types.Operator):
    """Put the active action on the list of clips"""

    bl_idname = "takemill.add_clip"
    bl_label = "Add Active Action"
    needs = (stage.an_armature, stage.not_linked, stage.an_action, stage.own_action, stage.no_preview)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        action, clips = actions.active_action(armature), armature.takemill.clips
        actions.slot_for(action, armature)
        if any(entry.action == action for entry in clips):
            raise InputError(f"action {action.name!r}: it is on the list already")
        entry = clips.add()
        entry.name, entry.action = action.name, action
        armature.takemill.clip_index = len(clips) - 1
        return f"{action.name} is a clip of {armature.name}"


class TAKEMILL_OT_remove_clip(stage.Stage, bpy.types.Operator):
    """Take the chosen clip off the list; its action stays"""

    bl_idname = "takemill.remove_clip"
    bl_label = "Remove Clip"
    needs = (stage.an_armature, stage.not_linked)

    def run(self, context: bpy.types.Context) -> str:
        known = stage.armature_of(context).takemill
        if not 0 <= known.clip_index < len(known.clips):
            raise InputError("there is no clip to remove")
        name = kept_rows.remove_row(known.clips, known.clip_index)
        known.clip_index = max(0, known.clip_index - 1)
        return f"{name} taken off the list"


class TAKEMILL_OT_move_clip(stage.Stage, bpy.types.Operator):
    """Move the chosen clip up or down the list, which is the order of the set"""

    bl_idname = "takemill.move_clip"
    bl_label = "Move Clip"
    needs = (stage.an_armature, stage.not_linked)

    down: bpy.props.BoolProperty(name="Down", description="Move it down the list instead of up")

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        known = armature.takemill
        place, there = known.clip_index, known.clip_index + (1 if self.down else -1)
        if armature.override_library is not None:
            raise InputError(f"{armature.name} is a library override, whose rows stay in their order")
        if not 0 <= place < len(known.clips):
            raise InputError("there is no clip to move")
        there = min(max(there, 0), len(known.clips) - 1)
        known.clips.move(place, there)
        known.clip_index = there
        return f"{known.clips[there].name} is number {there + 1} of {len(known.clips)}"


class TAKEMILL_OT_play_clip(stage.Stage, bpy.types.Operator):
    """Play this clip: it becomes the active action, and its frames the preview range of the timeline"""

    bl_idname = "takemill.play_clip"
    bl_label = "Play Clip"
    needs = (stage.an_armature, stage.not_linked)

    index: bpy.props.IntProperty(name="Clip", description="Its number in the list of clips, from 0")

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        known = armature.takemill
        action = known.clips[self.index].action if 0 <= self.index < len(known.clips) else None
        if action is None:
            raise InputError("this clip's action is gone; take the clip off the list")
        known.clip_index = self.index
        text = show(context, armature, action)
        views.play(context)
        return text


class TAKEMILL_OT_play_source(stage.Stage, bpy.types.Operator):
    """Go back to the action that the active one was made from"""

    bl_idname = "takemill.play_source"
    bl_label = "Back to the Source"

    @staticmethod
    def _a_source(context: bpy.types.Context) -> str:
        known = stage.armature_of(context).animation_data.action.takemill
        return "" if known.source else "The active action was not made from another one"

    needs = (stage.an_armature, stage.an_action, _a_source)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        source = actions.active_action(armature).takemill.source
        text = show(context, armature, source)
        context.scene.use_preview_range = False
        return text


def is_loop(action: bpy.types.Action) -> bool:
    """Whether an Action is a clip that repeats."""
    try:
        return ClipRecord.of_action(action).loop
    except InputError:
        return False


def show(context: bpy.types.Context, armature: bpy.types.Object, action: bpy.types.Action) -> str:
    """Assign `action` and preview its frames; a loop's preview that played till then is gone."""
    slot, frames = actions.slot_for(action, armature), frames_of(action, armature)
    old = stage.find_active_action(armature)
    actions.assign(armature, action, slot)
    if old and old.takemill.looping:
        restore_pose(armature, old)
    if old and old.takemill.looping and not old.users:
        bpy.data.actions.remove(old)
    repeats = frames.stop - frames.start > 2 and is_loop(action)  # its last pose is its first
    preview(context.scene, frames.start, frames.stop - 1 - repeats)
    views.show_frames(context, frames.start, frames.stop - 1)
    return f"{action.name} is the active action of {armature.name}"


CLASSES = (
    TAKEMILL_OT_close_loop,
    TAKEMILL_OT_extract_root_motion,
    TAKEMILL_OT_add_contact_events,
    TAKEMILL_OT_add_event,
    TAKEMILL_OT_add_clip,
    TAKEMILL_OT_remove_clip,
    TAKEMILL_OT_move_clip,
    TAKEMILL_OT_play_clip,
    TAKEMILL_OT_play_source,
)
