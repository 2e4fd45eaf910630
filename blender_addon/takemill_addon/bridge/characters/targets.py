"""A character that takes are fitted to: its skeleton, and how a fitted motion becomes its Action."""

from __future__ import annotations

import json
from collections.abc import Collection
from dataclasses import dataclass, replace

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.body.upright import FindBody
from takemill.fit.own_poses import pose_by_names, with_rest_pose
from takemill.pipeline.prepare_take import body_of
from takemill.shape.body_shape import body_shape
from takemill.shape.capsules import Capsules

from ..motion.read_action import read_in_armature
from ..motion.write_action import write_controls, write_motion
from ..rigs import own_layer
from ..rigs.control_check import expect_followed, undone
from ..rigs.control_rigs import control_rig
from ..rigs.controls import ControlRig
from ..rigs.mesh_skin import skin_of
from ..rigs.rig import ArmatureFrame, Rig, read_rig
from ..scene import actions
from ..scene.steps import Steps, apart, stepwise
from ..takes import recipe, reference, stage

_LEAST_TURN = 1e-6  # parts of a quaternion: less is no movement


@dataclass(frozen=True)
class Target:
    """An armature as the fit sees it.

    Attributes:
        armature: the object.
        rig: its bones.
        frame: from its own space to the character's, in metres.
        skeleton: its bones at rest in the character's space.
        body: which bone plays which part.
        held: how its controls pose it, where it is a control rig; its bones are then those that they pose.
        shape: its surface, as its meshes show it; None where it has none.
    """

    armature: bpy.types.Object
    rig: Rig
    frame: ArmatureFrame
    skeleton: Skeleton
    body: BodyMap
    held: ControlRig | None = None
    shape: Capsules | None = None

    @staticmethod
    @stepwise
    def of(scene: bpy.types.Scene, armature: bpy.types.Object) -> Steps[Target]:
        """What a take is fitted to.

        Raises:
            TakemillError: it is linked, has no bones or a skewed scale, no body is found, or constraints hold
                it and no control moves some part of it by itself.
        """
        problem = stage.problem_of_linked(armature)
        if problem:
            raise InputError(problem)
        frame = ArmatureFrame.of(armature).standing
        held = yield from control_rig.steps(armature, _finder(scene, armature))
        if held is not None:
            skeleton = frame.world_skeleton(held.rig.skeleton)
            body = BodyMap.from_names(skeleton, held.parts)
            shape = yield from _shape(armature, held.rig, frame, skeleton, body)
            return Target(armature, held.rig, frame, skeleton, body, held, shape)
        rig = read_rig(armature)
        skeleton = frame.world_skeleton(rig.skeleton)
        skeleton = reference.kept_on(scene, armature, rig, frame, skeleton) or skeleton
        body = _body_of(scene, armature, skeleton)
        shape = yield from _shape(armature, rig, frame, skeleton, body)
        return Target(armature, rig, frame, skeleton, body, shape=shape)

    @stepwise
    def hand_pose(self, context: bpy.types.Context, name: str) -> Steps[Array | None]:
        """The pose (J, 4) in the first frame of an Action, for hands without fingers; None for no name.

        Raises:
            TakemillError: there is no such Action, or it does not pose the character.
        """
        if not name:
            return None
        return pose_by_names(self.skeleton, (yield from self._own_motion(context, name, "hand pose")))

    @stepwise
    def in_rest_pose(self, context: bpy.types.Context, name: str) -> Steps[Target]:
        """The character with the pose in the first frame of an Action as its rest; itself for no name.

        Raises:
            TakemillError: there is no such Action, or the character does not stand upright in it.
        """
        if not name:
            return self
        motion = yield from self._own_motion(context, name, "rest pose")
        return replace(self, skeleton=with_rest_pose(self.skeleton, self.body, motion, name))

    def _own_motion(self, context: bpy.types.Context, name: str, field: str) -> Steps[Motion]:
        action = bpy.data.actions.get(name)
        if action is None:
            raise InputError(f"{field}: no action is called {name!r}; choose one, or leave the field empty")
        # Bones that it does not key rest, whatever the character has played before.
        take = yield from read_in_armature.steps(context, self.armature, action, self.rig.cleared)
        return self.frame.world_motion(take.motion, self.frame.world_skeleton(take.rig.skeleton))

    @stepwise
    def write(
        self,
        context: bpy.types.Context,
        fitted: Motion,
        source: Collection[str],
        start: int,
        name: str,
        take_wins: bool,
    ) -> Steps[bpy.types.Action]:
        """A new, active Action of a fitted motion; what the character plays of its own goes along.

        `source` are the parts that the take has. With `take_wins` they move also what the character moves by
        itself.
        """
        own = own_layer.own_curves(self.armature)
        if self.held is not None:
            written = self._write_controls(context, self.held, fitted, source, start, name, take_wins, own)
            return (yield from written)
        moved = yield from apart(self._moved, fitted, source)
        kept = frozenset[str]()
        if not take_wins:
            kept = own_layer.free_bones(self.skeleton, self.body) & own_layer.playing(own)
            fitted = yield from apart(_at_rest, fitted, kept)
        moved = (moved | self._left_over(own)) - kept
        new = yield from write_motion.steps(
            context, self.armature, fitted, start, name, self.frame, keyed=moved
        )
        bag = actions.channelbag(new, new.slots[0])
        own_layer.take_over(bag, own, moved)
        new.takemill.moved = json.dumps(sorted(moved))
        if not self.armature.takemill.parts:
            stage.keep_body(self.armature, self.body, self.skeleton)
        return new

    def _write_controls(
        self,
        context: bpy.types.Context,
        held: ControlRig,
        fitted: Motion,
        source: Collection[str],
        start: int,
        name: str,
        take_wins: bool,
        own: list[bpy.types.FCurve],
    ) -> Steps[bpy.types.Action]:
        """As `write`, by the controls of a control rig; the rig is evaluated to see whether it follows.

        Raises:
            InputError: it does not; all is then as it was.
        """
        plays, part_of = own_layer.playing(own), {bone: part for part, bone in held.parts.items()}
        posed = {part_of[bone] for bone in self._leaving_rest(fitted)} | set(source)
        leave = {
            control.bone
            for control in filter(held.is_free, held.controls)
            if part_of[held.rig.names[control.joint]] not in posed
            or (control.bone in plays and not take_wins)
        }
        inside = yield from apart(self.frame.armature_motion, fitted, held.rig.skeleton)
        with undone(context, self.armature):
            new = yield from write_controls.steps(
                context, self.armature, held, fitted, start, name, self.frame, leave=leave
            )
            yield from expect_followed.steps(context, self.armature, held, inside, start)
        moved = ({one.bone for one in held.controls} | held.others) - leave
        own_layer.take_over(actions.channelbag(new, new.slots[0]), own, moved)
        new.takemill.moved = json.dumps(sorted(moved))
        if not self.armature.takemill.parts:
            stage.keep_body(self.armature, self.body, self.skeleton)
        return new

    def _moved(self, fitted: Motion, source: Collection[str]) -> frozenset[str]:
        """The bones that a take of these parts moves: those of the body, and all that leave their rest."""
        free = own_layer.free_bones(self.skeleton, self.body)
        mapped = self.body.names(self.skeleton).items()
        of_body = frozenset(bone for part, bone in mapped if bone not in free or part in source)
        return of_body | self._leaving_rest(fitted)

    def _leaving_rest(self, fitted: Motion) -> frozenset[str]:
        """The bones that a motion turns or takes away from their rest."""
        rest = self.skeleton.rest_rotation
        away = np.abs(np.abs(np.einsum("fjc,jc->fj", fitted.rotations, rest)) - 1).max(axis=0) > _LEAST_TURN
        joints = {*np.flatnonzero(away).tolist(), *fitted.translations}
        return frozenset(self.skeleton.names[joint] for joint in joints)

    def _left_over(self, own: list[bpy.types.FCurve]) -> frozenset[str]:
        """Bones that the character's Action moves and that would be left as they stand.

        Those are what carries the body, and what an earlier fit moved.
        """
        names, body = self.skeleton.names, self.body
        carry = {
            names[joint] for end in body.joints.values() for joint in self.skeleton.path_to(end)[:-1]
        } - own_layer.free_bones(self.skeleton, body)
        action = own_layer.own_action(self.armature)
        made = set(json.loads(action.takemill.moved or "[]")) if action else set()
        return frozenset(carry & own_layer.playing(own)) | frozenset(made & set(names))


def _at_rest(motion: Motion, bones: Collection[str]) -> Motion:
    """The motion with some bones left at rest."""
    joints = [motion.skeleton.index(bone) for bone in bones]
    rotations = motion.rotations.copy()
    rotations[:, joints] = motion.skeleton.rest_rotation[joints]
    tracks = {joint: track for joint, track in motion.translations.items() if joint not in joints}
    return replace(motion, rotations=rotations, translations=tracks)


def _finder(scene: bpy.types.Scene, target: bpy.types.Object) -> FindBody | None:
    """How a control rig's body is mapped where the recipe corrects it; None for as it is kept or found."""
    loaded = recipe.loaded_recipe(scene)
    if target.name not in loaded.characters or stage.any_part(target):
        return None
    return lambda skeleton: body_of(skeleton, loaded.of_character(target.name))


def _shape(
    armature: bpy.types.Object, rig: Rig, frame: ArmatureFrame, skeleton: Skeleton, body: BodyMap
) -> Steps[Capsules | None]:
    """The surface that a character's meshes show; None where it has none."""
    skin = skin_of(armature, rig, frame)
    return (yield from apart(body_shape, skeleton, body, skin)) if skin.weights.any() else None


def _body_of(scene: bpy.types.Scene, target: bpy.types.Object, skeleton: Skeleton) -> BodyMap:
    """The body map kept with a character; else the one found, with the recipe's [characters.NAME.body]."""
    loaded = recipe.loaded_recipe(scene)
    if loaded.said_of(target.name) is None or stage.any_part(target):
        return stage.body_of(target, skeleton)
    return body_of(skeleton, loaded.of_character(target.name))
