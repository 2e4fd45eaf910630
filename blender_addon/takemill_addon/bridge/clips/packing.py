"""From an armature's list of clips to the core's clip set: rig and mesh once, then every clip."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import find_contacts
from takemill.files.glb import GlbClip
from takemill.files.glb_axes import skeleton_in_gltf
from takemill.files.glb_place import Place
from takemill.health.check import Health, check
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.meet_loops import meet_loops
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.pipeline.resample_clip import resample_clip
from takemill.pipeline.swing_clips import swing_clips
from takemill.recipe.recipe import Recipe

from ..characters.springs import chains_of
from ..motion.read_action import Take, read_in_armature
from ..rigs.bone_curves import bone_curves
from ..rigs.rig import ArmatureFrame, Rig, read_rig
from ..scene import actions
from ..scene.steps import Steps, apart, stepwise
from ..takes import findings, intake, reference, stage
from . import clip_record
from .clip_record import ClipRecord


@dataclass(frozen=True)
class Stock:
    """What the clips of one armature have in common.

    Attributes:
        armature: the object.
        rig: its bones, their pose cleared: a clip is what its Action says, not what was posed or played last.
        frame: from the armature's own space to the character's, in metres.
        packed: the bones that the GLB holds.
        skeleton: the bones at rest in the character's space.
        body: which bone plays which part.
    """

    armature: bpy.types.Object
    rig: Rig
    frame: ArmatureFrame
    packed: tuple[int, ...]
    skeleton: Skeleton
    body: BodyMap

    @staticmethod
    @stepwise
    def of(context: bpy.types.Context, armature: bpy.types.Object, deform_only: bool = False) -> Steps[Stock]:
        """The stock of `armature` as it is now.

        Raises:
            TakemillError: it has no bones, a skewed scale, or no body; or none deforms that should.
        """
        rig, frame = read_rig(armature).cleared, ArmatureFrame.of(armature).standing
        skeleton = frame.world_skeleton(rig.skeleton)
        kept = reference.kept_on(context.scene, armature, rig, frame, skeleton)
        skeleton = kept or (yield from _referred(context, armature, skeleton))
        packed = rig.needed if deform_only else tuple(range(len(rig.names)))
        if not packed:
            raise InputError(f"armature {armature.name!r}: none of its bones deforms a mesh; pack all bones")
        return Stock(armature, rig, frame, packed, skeleton, stage.body_of(armature, skeleton))

    @stepwise
    def take_of(self, context: bpy.types.Context, action: bpy.types.Action) -> Steps[Take]:
        """An Action read in the character's space."""
        take = yield from read_in_armature.steps(context, self.armature, action, self.rig)
        motion = yield from apart(self.frame.world_motion, take.motion, self.skeleton)
        return replace(take, motion=motion, frame=self.frame)

    def placed(self, clip: GlbClip) -> GlbClip:
        """A clip's keys from the character's space to the armature's own, where the GLB has the joints."""
        back, joints = self.frame.inverse, {joint: k for k, joint in enumerate(self.packed)}
        kept = tuple(track for track in clip.tracks if track.joint in joints)
        placed = replace(clip, tracks=kept).placed(
            Place(back.rotation, back.translation, back.size), self.packed_skeleton
        )
        return replace(
            placed, tracks=tuple(replace(track, joint=joints[track.joint]) for track in placed.tracks)
        )

    @cached_property
    def packed_skeleton(self) -> Skeleton:
        """The bones that the GLB holds, at rest in the armature's own space, as the file says it."""
        whole, place = self.rig.skeleton, {joint: k for k, joint in enumerate(self.packed)}
        chosen = list(self.packed)
        return skeleton_in_gltf(
            Skeleton(
                tuple(whole.names[joint] for joint in chosen),
                tuple(place.get(whole.parents[joint], -1) for joint in chosen),
                whole.rest_translation[chosen],
                whole.rest_rotation[chosen],
            )
        )


def _referred(context: bpy.types.Context, armature: bpy.types.Object, skeleton: Skeleton) -> Steps[Skeleton]:
    """The skeleton with the reference pose of the first clip's take."""
    for entry in armature.takemill.clips:
        if entry.use and entry.action is not None:
            work = yield from stage.work_on.steps(context, armature, entry.action)
            found = work.take.motion.skeleton
            if found.names != skeleton.names:  # of a control rig, whose joints rest upright
                return skeleton
            return skeleton.with_reference(found.reference)
    return skeleton


@stepwise
def clips_of(
    context: bpy.types.Context, stock: Stock, recipe: Recipe
) -> Steps[tuple[tuple[FinishedClip, ...], tuple[str, ...]]]:
    """The ticked clips of the list, at the rates they leave with, and bones whose scale is left out.

    Raises:
        InputError: a clip's Action is gone or was changed beyond its record.
    """
    out, unscaled = [], set()
    entries = [entry for entry in stock.armature.takemill.clips if entry.use]
    gone = next((entry.name for entry in entries if entry.action is None), None)
    if gone is not None:
        raise InputError(f"clip {gone!r}: its action is gone; take the clip off the list")
    for entry in entries:
        _expect_bones(stock.armature, entry)
    for number, entry in enumerate(entries):
        yield number / len(entries)
        take = yield from stock.take_of.steps(context, entry.action)
        made = clip_record.clip_of.steps(entry.name, entry.action, take.motion, stock.body, take.start)
        clip = yield from made
        if clip.settings is not None:  # the rate of the set is known when it is packed
            clip = replace(clip, settings=replace(clip.settings, rate=recipe.rate))
        rate = (clip.asked.rate if clip.asked else None) or recipe.rate
        out.append((yield from apart(resample_clip, clip, rate)))
        unscaled.update(take.unscaled)
    met = yield from apart(meet_loops, out)
    return (yield from _swing(stock, met, recipe)), tuple(sorted(unscaled))


def _expect_bones(armature: bpy.types.Object, entry) -> None:
    """Insist on a clip that moves bones that are there: keys of others would be lost.

    Raises:
        InputError: some of its bones are renamed or gone.
    """
    action = entry.action
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    gone = sorted({one.bone for one in bone_curves(bag)} - set(armature.pose.bones.keys()))
    if gone:
        raise InputError(
            f"clip {entry.name!r}: its action {action.name!r} has keys of bones that {armature.name!r} "
            f"lacks: {', '.join(gone[:5])}{', ...' if gone[5:] else ''}; they were renamed or removed. Name "
            "them so again, delete those channels, or make the clip again"
        )


def _swing(stock: Stock, clips: tuple[FinishedClip, ...], recipe: Recipe) -> Steps[tuple[FinishedClip, ...]]:
    """The clips; those that were made before the character's chains were named swing now."""
    chains = chains_of(stock.armature, stock.skeleton, stock.body, recipe)
    still = [clip for clip in clips if clip.swinging is None]
    known = next((clip for clip in clips if clip.name == recipe.neutral and clip.swinging), None)
    made = yield from apart(swing_clips, still, chains, recipe.neutral, known)
    swung = {clip.name: clip for clip in made}
    return tuple(swung.get(clip.name, clip) for clip in clips)


@stepwise
def expect_plausible(context: bpy.types.Context, armature: bpy.types.Object, recipe: Recipe) -> Steps[None]:
    """Insist on clips of takes that are a body on a floor, and play as fast as they were recorded.

    Raises:
        InputError: a clip's take is none, and the recipe does not accept that.
    """
    seen = set()
    for entry in armature.takemill.clips:
        if not entry.use or entry.action is None:
            continue
        raw, owner = intake.earliest(armature, entry.action)
        if raw in seen:
            continue
        seen.add(raw)
        try:
            work = yield from stage.work_on.steps(context, owner, raw)
            reading = yield from stage.reading_of.steps(context, work)
        except TakemillError:  # the take is no longer what it was; its clips are whole
            continue
        intake.expect_plausible(raw.name, reading, recipe)


def sources_of(stock: Stock, clips: tuple[FinishedClip, ...]) -> dict[str, bpy.types.Action]:
    """By take, the Action that clips were cut from, as far as the file still holds them."""
    found = {name: _cut_from(stock.armature, name) for name in dict.fromkeys(clip.source for clip in clips)}
    return {name: action for name, action in found.items() if action is not None}


@stepwise
def takes_of(
    context: bpy.types.Context, stock: Stock, clips: tuple[FinishedClip, ...]
) -> Steps[list[PreparedTake]]:
    """The takes that the clips were cut from, as far as the file still holds them, for the report."""
    out = []
    for name, action in sources_of(stock, clips).items():
        try:
            raw = (yield from stock.take_of.steps(context, actions.first_here(action))).motion
            motion = (yield from stock.take_of.steps(context, action)).motion
        except TakemillError:  # the report can do without; the clips are whole
            continue
        known = next((health for one in actions.ancestry(action) if (health := _kept_health(one))), None)
        known = known or (yield from apart(check, motion, stock.body))
        done = tuple(one for one in known.findings if one.repaired)
        left = replace(known, findings=tuple(one for one in known.findings if not one.repaired))
        contacts = yield from apart(find_contacts, motion, stock.body)
        digest = yield from apart(digest_of, raw)
        out.append(PreparedTake(name, digest, raw, stock.body, motion, done, left, contacts))
    return out


def _cut_from(armature: bpy.types.Object, take: str) -> bpy.types.Action | None:
    """The Action that clips of a take were cut from: of the first such clip, its source."""
    for entry in armature.takemill.clips:
        if entry.use and entry.action and ClipRecord.of_action(entry.action).source == take:
            for one in actions.ancestry(entry.action):
                if not one.takemill.record:
                    return one
    return bpy.data.actions.get(take)


def _kept_health(action: bpy.types.Action) -> Health | None:
    """What is kept of an Action's health, in frames of its motion."""
    return findings.kept(action, round(action.frame_range[0]))
