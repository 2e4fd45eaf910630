"""Takes from files into the scene: an Action for each, on one armature where their skeletons are the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.base.plain import is_name
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.files.bvh_layout import BvhLayout

from . import actions, armatures, scene_time
from .rig import ArmatureFrame, read_rig
from .write_action import write_motion

SUFFIXES = (".bvh",)
"""Files that hold takes."""


@dataclass(frozen=True)
class Wishes:
    """How takes are to be brought in.

    Attributes:
        unit_m: metres per file unit; None finds it.
        up: the file's axis that points up; "" finds it.
        start: the scene frame of a take's first frame.
        timing: "AUTO", "TAKE" or "SCENE": whether the scene gets the takes' frame rate and range; AUTO gives
            it them while it holds no other take.
        onto_active: put a take onto the active armature where that has its bones.
    """

    unit_m: float | None = None
    up: str = ""
    start: int = 0
    timing: str = "AUTO"
    onto_active: bool = True


@dataclass(frozen=True)
class Arrival:
    """A take that is in the scene now.

    Attributes:
        armature, action: what it became.
        rate: frames a second that it was recorded at.
        seconds: from its first frame to its last.
        notes: what was read otherwise than the file has it.
    """

    armature: bpy.types.Object
    action: bpy.types.Action
    rate: float
    seconds: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class _Read:
    """A take as its file holds it."""

    path: Path
    motion: Motion
    layout: BvhLayout


def import_takes(
    context: bpy.types.Context, paths: Sequence[Path], wishes: Wishes
) -> tuple[list[Arrival], list[str]]:
    """The takes of some files in the scene, the first one active; and why other files could not be read.

    Raises:
        InputError: none could be read; then nothing was changed.
    """
    read, failures = _read_all(paths, wishes)
    if not read:
        raise InputError("; ".join(failures) or "no file was chosen")
    before = [action for action in bpy.data.actions if _moves_bones(action)]
    rates = [one.motion.rate for one in read]
    lengths = [one.motion.duration_s for one in read]
    if wishes.timing == "TAKE" or (wishes.timing == "AUTO" and not before):
        scene_time.set_frame_rate(context.scene, rates[0])
        scene_time.set_range(context.scene, wishes.start, max(lengths))
    shared: list[bpy.types.Object] = _active(context) if wishes.onto_active else []
    arrivals = []
    for one in read:
        home = next((other for other in shared if armatures.fits(other, one.motion)), None)
        if home is None:
            home = armatures.build_armature(context, one.motion.skeleton, one.path.stem)
            shared.append(home)
        arrivals.append(_placed(context, home, one, wishes.start))
    first = arrivals[0]
    actions.assign(first.armature, first.action, actions.slot_for(first.action, first.armature))
    armatures.show(context, first.armature, wishes.start)
    return arrivals, failures


def _read_all(paths: Sequence[Path], wishes: Wishes) -> tuple[list[_Read], list[str]]:
    """What could be read, and why the rest could not; nothing is changed."""
    read, failures = [], []
    for path in paths:
        try:
            if not is_name(path.stem):
                raise InputError(f"{str(path)!r}: its name holds what no text can; rename it")
            motion, layout = read_bvh(path, unit_m=wishes.unit_m, up=wishes.up or None)
            read.append(_Read(path, motion, layout))
        except TakemillError as problem:
            failures.append(str(problem))
    return read, failures


def _active(context: bpy.types.Context) -> list[bpy.types.Object]:
    """The active armature, if it is one that takes can be put onto."""
    active = context.view_layer.objects.active
    if active is None or active.type != "ARMATURE" or not active.data.bones or active.library:
        return []
    return [active]


def _placed(context: bpy.types.Context, armature: bpy.types.Object, read: _Read, start: int) -> Arrival:
    """A take as an Action of an armature that has its bones."""
    motion = armatures.on_bones(read_rig(armature), read.motion)
    size = ArmatureFrame.of(armature).size
    frame = ArmatureFrame(ArmatureFrame.none().rotation, ArmatureFrame.none().translation, size)
    spacing = scene_time.frame_rate(context.scene) / motion.rate
    spacing = 1.0 if abs(spacing - 1.0) < 1e-6 else spacing
    action = write_motion(context, armature, motion, start, read.path.stem, frame, spacing=spacing)
    known = action.takemill
    known.file, known.take_rate = read.path.name, motion.rate
    known.unit_m, known.up = read.layout.unit_m, read.layout.up
    known.key_rate = scene_time.frame_rate(context.scene)
    return Arrival(armature, action, motion.rate, motion.duration_s, read.layout.notes)


def _moves_bones(action: bpy.types.Action) -> bool:
    """Whether an Action is a take or a clip: it has keys on bones."""
    return any(
        actions.bone_channel(curve.data_path)
        for slot in action.slots
        if (bag := actions.channelbag(action, slot))
        for curve in bag.fcurves
    )
