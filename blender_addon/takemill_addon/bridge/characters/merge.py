"""A part of a take merged onto a character's active Action, in a new Action of the same frames."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

import bpy

from takemill.base.errors import InputError
from takemill.body.body_parts import is_free
from takemill.body.motion import Motion
from takemill.fit.fit import FitSettings
from takemill.pipeline.fit_take import merge_take
from takemill.pipeline.prepare_take import PreparedTake

from ..motion.read_action import Take, read_take
from ..motion.write_action import carry_on, write_motion
from ..rigs import own_layer
from ..rigs.control_check import expect_followed
from ..scene import actions
from ..scene.pose_markers import shows_finding
from ..scene.steps import Steps, apart, stepwise
from ..takes import characters, stage
from .targets import Target


@dataclass(frozen=True)
class Merge:
    """A character's active Action, and its motion with a part of the take.

    Attributes:
        target: the character.
        action: what the part is merged onto.
        base: the same, as it was read.
        motion: of the frames of the base.
        part: of the body.
    """

    target: Target
    action: bpy.types.Action
    base: Take
    motion: Motion
    part: str

    @staticmethod
    @stepwise
    def of(
        context: bpy.types.Context,
        target: Target,
        how: FitSettings,
        take: PreparedTake,
        start: int,
        take_wins: bool,
    ) -> Steps[Merge]:
        """A take that begins at a scene frame, merged onto what the character plays; nothing is written yet.

        Raises:
            InputError: the character has no Action, or one with no frames in common with the take.
        """
        action = stage.find_active_action(target.armature)
        if action is None:
            raise InputError(
                f"armature {target.armature.name!r}: it has no action that a part could be merged onto; "
                "assign one, or fit the whole body"
            )
        base = yield from read_take.steps(context, target.armature, action, target.frame)
        motion = base.motion.with_skeleton(target.skeleton)
        keep = _kept(target, action, take.body.joints, take_wins)
        hands = yield from target.hand_pose.steps(context, how.hand_pose)
        first, body = start - base.start, target.body
        merged = yield from apart(
            merge_take, take, target.skeleton, body, how, motion, first, keep, hands, target.shape
        )
        return Merge(target, action, base, merged, how.part)

    @stepwise
    def write(self, context: bpy.types.Context, name: str) -> Steps[bpy.types.Action]:
        """The new Action, which the character plays from now on.

        Raises:
            InputError: a control rig does not follow its controls.
        """
        target, armature = self.target, self.target.armature
        keyed = self.base.keyed | frozenset(target.body.names(target.skeleton).values())
        start, frame = self.base.start, target.frame
        new = yield from write_motion.steps(context, armature, self.motion, start, name, frame, keyed=keyed)
        if target.held is not None:
            inside = yield from apart(frame.armature_motion, self.motion, target.held.rig.skeleton)
            yield from expect_followed.steps(context, armature, target.held, inside, start)
        carry_on(armature, self.action, new)
        for marker in self.action.pose_markers:
            if not shows_finding(marker):
                new.pose_markers.new(marker.name).frame = marker.frame
        new.takemill.source, new.takemill.merged = self.action, True
        new.takemill.key_rate = self.motion.rate
        stage.copy_cuts(characters.cuts_holder(self.action), new)
        return new


def _kept(
    target: Target, action: bpy.types.Action, source: Collection[str], take_wins: bool
) -> frozenset[int]:
    """The joints of jaw, eyes, fingers, tail and props that stay as the Action has them."""
    bag = actions.channelbag(action, actions.slot_for(action, target.armature))
    plays = own_layer.playing(list(bag.fcurves))
    controls = {one.joint: one.bone for one in target.held.controls} if target.held else {}
    return frozenset(
        joint
        for part, joint in target.body.joints.items()
        if is_free(part)
        and (
            part not in source
            or (controls.get(joint, target.skeleton.names[joint]) in plays and not take_wins)
        )
    )
