"""What takes were read as: the engine's line in Blender's words, and keys that lie wrong in time."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.body.intake import Ways, find_intake
from takemill.health.finding import Finding
from takemill.health.profile import find_profile
from takemill.recipe.recipe import Recipe
from takemill.repair.settings import finds_path

from ..rigs.bone_curves import bone_curves
from ..rigs.rig import ArmatureFrame
from ..scene import actions, scene_time, stored
from ..scene.steps import Steps, apart, stepwise
from . import recipe, reference

if TYPE_CHECKING:
    from .stage import Work


BLENDER = Ways(
    unit="scale the armature object, or import it again with Import Take and say its Unit",
    scale="scale the armature object, or import the file with Import Take, which finds its unit",
    up="turn the armature object upright, or import it again with Import Take and say what is Up",
    turn="turn the armature object upright, or import the file with Import Take, which finds what is up",
    floor="move the armature object, tick Floor Height in the panel Repair, or, for a take without a height "
    "of its own, choose Feet under Path From there",
    reference="in the field Reference Pose",
)
DEFAULT_RATE = 24.0  # of Blender's new scenes (fps 24, base 1): captures have 30 and more. Common practice
_RIGHT = 1e-3  # by which two rates may differ, relative: 29.97 is not 30
_CAPTURED = 24  # keys in a row, one on each frame: a second; nobody sets them by hand


@dataclass(frozen=True)
class Reading:
    """What a take was read as, in one line, and what of it no body on a floor can be."""

    line: str
    problems: tuple[str, ...]


@stepwise
def read_now(context: bpy.types.Context, work: Work, work_on: stepwise[..., Work]) -> Steps[Reading]:
    """What the take behind some work was read as; it is kept with the take, for the panel.

    Clips and repaired takes are judged by the take that they were made from: an end of a clip may lie.
    `work_on` reads that: it is `stage.work_on`.
    """
    raw, armature = earliest(work.armature, work.action)
    basis = _basis(context.scene, ArmatureFrame.of(armature).standing)
    if raw != work.action:
        kept = _kept(raw, basis)
        if kept is not None:
            return Reading(kept.line, (*kept.problems, *timing_problems(context.scene, work.action)))
        try:
            work = yield from work_on.steps(context, armature, raw)
        except TakemillError:  # the take is no longer what it was; its clips are whole
            return Reading("", timing_problems(context.scene, work.action))
    known = raw.takemill
    read = work.take.motion, work.body, known.unit_m, known.up, BLENDER
    found = yield from apart(find_intake, *read)
    if found is not None:
        profile = yield from apart(find_profile, work.take.motion, work.body)
        if finds_path(recipe.recipe_of(context.scene).repair, profile.in_place_m):
            found = (yield from apart(find_intake, *read, keeps_height=False)) or found
        found = replace(found, profile=profile.text())
    line = f"{found.line()}, {_rate(work.take.motion.rate)} frames a second" if found else ""
    problems = found.problems if found else ()
    known.intake = json.dumps({"basis": basis, "line": line, "problems": list(problems)})
    return Reading(line, (*problems, *timing_problems(context.scene, raw)))


def last_reading(context: bpy.types.Context, armature: bpy.types.Object) -> tuple[Reading | None, bool]:
    """What the active take was read as when it was last read, and whether that still holds.

    It does not where the scene's rate, the armature's place or the field of the reference pose has changed.
    """
    action = armature.animation_data.action if armature.animation_data else None
    if action is None:
        return None, True
    raw, owner = earliest(armature, action)
    try:
        said = stored.reading(raw.takemill.intake) if raw.takemill.intake else None
        frame = ArmatureFrame.of(owner).standing
    except (ValueError, TakemillError):
        return None, False
    if said is None:
        return None, True
    problems = (*said["problems"], *timing_problems(context.scene, action))
    return Reading(said["line"], problems), said["basis"] == _basis(context.scene, frame)


def _basis(scene: bpy.types.Scene, frame: ArmatureFrame) -> str:
    """All that a reading depends on beside bones and keys: a path from the feet asks for no floor."""
    chosen = scene.takemill
    return f"{reference.basis_of(scene, frame, chosen.intake_reference)} {chosen.repair_path_from}"


def earliest(
    armature: bpy.types.Object, action: bpy.types.Action
) -> tuple[bpy.types.Action, bpy.types.Object]:
    """The take that an Action was made from in the end, and the armature that plays it: the performer's."""
    found = action, armature
    for one in actions.ancestry(action):
        found = one, found[1]
        if one.takemill.performer and one.takemill.source:
            found = one, one.takemill.performer
    return found


def timing_problems(scene: bpy.types.Scene, action: bpy.types.Action) -> tuple[str, ...]:
    """Why an Action plays at another speed than it was recorded at, and what to do."""
    rate = scene_time.frame_rate(scene)
    for one in actions.ancestry(action):
        known = one.takemill.key_rate
        if known and abs(known / rate - 1) > _RIGHT:
            return (
                f"the keys of {one.name!r} are for {_rate(known)} frames a second, and the scene plays "
                f"{_rate(rate)}: set Frame Rate under Output > Format to {_rate(known)}",
            )
        if not known and not one.takemill.source and rate == DEFAULT_RATE and _is_captured(one):
            return (
                f"{one.name!r} has a key on each frame of a scene at 24 frames a second, Blender's default, "
                "which importers leave as it is: set Frame Rate under Output > Format to that of the "
                "recording, or import the file with Import Take, which reads it",
            )
    return ()


def expect_plausible(name: str, reading: Reading, settings: Recipe) -> None:
    """Insist on a take that is a body on a floor, at the speed it was recorded at, unless any is accepted.

    Raises:
        InputError: it is none; the message says what to do.
    """
    if reading.problems and not settings.intake.accept:
        raise InputError(
            f"{name}: {'; '.join(reading.problems)} (read as: {reading.line}). If it is meant so, tick "
            "Accept in the panel Body"
        )


def findings_of(reading: Reading, frames: int) -> tuple[Finding, ...]:
    """The problems of a reading as findings of a whole take of so many frames."""
    return tuple(Finding("intake", "", 0, frames, 0.0, "", False, problem) for problem in reading.problems)


def _kept(raw: bpy.types.Action, basis: str) -> Reading | None:
    """What is kept with a take, if it still holds."""
    try:
        said = stored.reading(raw.takemill.intake) if raw.takemill.intake else None
    except ValueError:  # somebody has changed it: read anew
        return None
    if said is None or said["basis"] != basis:
        return None
    return Reading(said["line"], tuple(said["problems"]))


def _is_captured(action: bpy.types.Action) -> bool:
    """Whether the bones of an Action have a key on each frame, for a second and more."""
    counts: list[tuple[int, float]] = []
    for slot in action.slots:
        bag = actions.channelbag(action, slot)
        for one in bone_curves(bag) if bag else ():
            ends, count = one.curve.range(), len(one.curve.keyframe_points)
            if "rotation" in one.property and count > 1:
                counts.append((count, float(ends[1] - ends[0]) + 1))
    dense = [count for count, length in counts if abs(count - length) < _RIGHT]
    return bool(dense) and 2 * len(dense) > len(counts) and max(dense) >= _CAPTURED


def _rate(rate: float) -> str:
    return f"{rate:.6g}"
