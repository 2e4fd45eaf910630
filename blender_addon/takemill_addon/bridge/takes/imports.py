"""Takes from files into the scene: an Action for each, on one armature where their skeletons are the same."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import bpy
from mathutils import Matrix, Quaternion

from takemill.base.errors import InputError, TakemillError
from takemill.base.plain import is_name
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.files.bvh_layout import BvhLayout
from takemill.maths import quat
from takemill.maths.axes import turn_to_z_up

from ..motion.write_action import write_motion
from ..rigs import mesh_ends
from ..rigs.rig import ArmatureFrame, read_rig
from ..scene import actions, scene_time
from ..scene.steps import Steps, apart, stepwise, within
from . import armatures, foreign
from .foreign import Foreign

SUFFIXES = (".bvh", *foreign.IMPORTERS)
"""Files that hold takes."""


@dataclass(frozen=True)
class Wishes:
    """How takes are to be brought in.

    Attributes:
        unit_m: metres per file unit; None finds it. Of files that tell their unit, how long one of their
            metres is.
        up: the file's axis that points up; "" finds it. Of FBX and USD files, after Blender's importer.
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
    """A take as a BVH file holds it."""

    path: Path
    motion: Motion
    layout: BvhLayout

    @property
    def rate(self) -> float:
        return self.motion.rate

    @property
    def seconds(self) -> float:
        return self.motion.duration_s


@stepwise
def import_takes(
    context: bpy.types.Context, paths: Sequence[Path], wishes: Wishes
) -> Steps[tuple[list[Arrival], list[str]]]:
    """The takes of some files in the scene, the first one active; and why other files could not be read.

    Raises:
        InputError: none could be read; then nothing was changed.
    """
    before = [action for action in bpy.data.actions if _moves_bones(action)]
    shared = _active(context) if wishes.onto_active else []
    read, failures = yield from within(_read_all(context, paths, wishes), 0.0, 0.5)
    if not read:
        raise InputError("; ".join(failures) or "no file was chosen")
    if wishes.timing == "TAKE" or (wishes.timing == "AUTO" and not before):
        scene_time.set_frame_rate(context.scene, read[0].rate)
        scene_time.set_range(context.scene, wishes.start, max(one.seconds for one in read))
    arrivals: list[Arrival] = []
    for k, one in enumerate(read):
        if isinstance(one, Foreign):
            arrivals += yield from _settled(context, one, wishes, shared)
        else:
            placed = _placed(context, one, wishes.start, shared)
            share = 0.5 / len(read)
            arrivals.append((yield from within(placed, 0.5 + k * share, 0.5 + (k + 1) * share)))
    first = arrivals[0]
    actions.assign(first.armature, first.action, actions.slot_for(first.action, first.armature))
    armatures.show(context, first.armature, wishes.start)
    return arrivals, failures


def _read_all(
    context: bpy.types.Context, paths: Sequence[Path], wishes: Wishes
) -> Steps[tuple[list[_Read | Foreign], list[str]]]:
    """What could be read, and why the rest could not, which leaves nothing behind."""
    read: list[_Read | Foreign] = []
    failures = []
    for path in paths:
        try:
            if not is_name(path.stem):
                raise InputError(f"{str(path)!r}: its name holds what no text can; rename it")
            if path.suffix.lower() in foreign.IMPORTERS:
                read.append((yield from foreign.bring_in.steps(context, path)))
            else:
                found = yield from apart(read_bvh, path, unit_m=wishes.unit_m, up=wishes.up or None)
                read.append(_Read(path, *found))
        except TakemillError as problem:
            failures.append(str(problem))
    return read, failures


def _active(context: bpy.types.Context) -> list[bpy.types.Object]:
    """The active armature, if it is one that takes can be put onto."""
    active = context.view_layer.objects.active
    if active is None or active.type != "ARMATURE" or not active.data.bones or active.library:
        return []
    return [active]


def _placed(
    context: bpy.types.Context, read: _Read, start: int, shared: list[bpy.types.Object]
) -> Steps[Arrival]:
    """A take of a BVH file as an Action of an armature that has its bones, an earlier one or a new one."""
    armature = next((other for other in shared if armatures.fits(other, read.motion)), None)
    if armature is None:
        armature = armatures.build_armature(context, read.motion.skeleton, read.path.stem)
        shared.append(armature)
    motion = yield from apart(armatures.on_bones, read_rig(armature), read.motion)
    nowhere, size = ArmatureFrame.none(), ArmatureFrame.of(armature).size
    frame = ArmatureFrame(nowhere.rotation, nowhere.translation, size)
    spacing = scene_time.frame_rate(context.scene) / motion.rate
    spacing = 1.0 if abs(spacing - 1.0) < 1e-6 else spacing
    written = write_motion.steps(context, armature, motion, start, read.path.stem, frame, spacing=spacing)
    action = yield from written
    _note(context, action, read.path.name, motion.rate, read.layout.unit_m, read.layout.up)
    return Arrival(armature, action, motion.rate, motion.duration_s, read.layout.notes)


def _settled(
    context: bpy.types.Context, found: Foreign, wishes: Wishes, shared: list[bpy.types.Object]
) -> Steps[list[Arrival]]:
    """The takes that an importer brought, right in time; on an earlier armature, if it has their bones."""
    up, unit_m = wishes.up or found.up, wishes.unit_m or 1.0
    _turn_and_scale(context, found, up, unit_m)
    yield from foreign.put_in_time.steps(context, found, wishes.start)
    mesh_ends.keep_ends(found.armature)
    armature = next((one for one in shared if armatures.same_bones(one, found.armature)), None)
    several, name = len(found.actions) > 1, found.path.name
    for action in found.actions:
        own = action.name.rpartition("|")[2]  # FBX names them after object and layer too
        action.name = actions.fitting_name(own if several else found.path.stem)
        action.use_fake_user = True
        _note(context, action, f"{name}:{own}" if several else name, found.rate, unit_m, up)
    if armature is None:
        armature = found.armature
        shared.append(armature)
    else:
        takes = set(found.actions)
        foreign.discard(item for item in found.brought if item not in takes)
    out = []
    for action in found.actions:
        slot = actions.slot_for(action, armature)
        slot.name_display = armature.name
        actions.assign(armature, action, slot)
        ends = action.frame_range
        seconds = scene_time.seconds(ends[1] - ends[0], scene_time.frame_rate(context.scene))
        out.append(Arrival(armature, action, found.rate, seconds, tuple(found.notes)))
    return out


def _turn_and_scale(context: bpy.types.Context, found: Foreign, up: str, unit_m: float) -> None:
    """Stand what was brought upright and make it as large as was asked, where the file says it otherwise."""
    if (up, unit_m) == (found.up, 1.0):
        return
    turn = quat.mul(turn_to_z_up(up), quat.inv(turn_to_z_up(found.up)))
    way = Quaternion(turn).to_matrix().to_4x4() @ Matrix.Scale(unit_m, 4)
    brought = {item for item in found.brought if isinstance(item, bpy.types.Object)}
    for item in brought:
        if item.parent not in brought:
            item.matrix_world = way @ item.matrix_world
    context.view_layer.update()


def _note(
    context: bpy.types.Context, action: bpy.types.Action, file: str, rate: float, unit_m: float, up: str
) -> None:
    """What an Action remembers of the file that it came from."""
    known = action.takemill
    known.file, known.take_rate, known.unit_m, known.up = file, rate, unit_m, up
    known.key_rate = scene_time.frame_rate(context.scene)


def _moves_bones(action: bpy.types.Action) -> bool:
    """Whether an Action is a take or a clip: it has keys on bones."""
    return any(
        actions.bone_channel(curve.data_path)
        for slot in action.slots
        if (bag := actions.channelbag(action, slot))
        for curve in bag.fcurves
    )
