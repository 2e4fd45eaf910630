"""Takes in FBX, USD and glTF files, by Blender's own importers: brought in, looked at, and put in time.

An importer may leave anything in the scene. What it brought stays when a take is in it, and all of it goes
again when none is.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Collection, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import FileError, InputError
from takemill.files.key_rate import rate_of_keys

from ..scene import actions, scene_time
from ..scene.steps import Steps, apart, stepwise

_KEYED_TRANSFORM = ("location", "rotation_quaternion", "rotation_euler", "rotation_axis_angle", "scale")
_SAME = 1e-5  # by which a curve that says nothing changes
_WHOLE = 0.02  # frames by which a key may miss the frame that it is meant for
_BODY_BONES = 10  # of an armature that may be a body; a weapon's has fewer

IMPORTERS: dict[str, Callable[[str], object]] = {
    ".fbx": lambda path: bpy.ops.wm.fbx_import(filepath=path),
    ".glb": lambda path: bpy.ops.import_scene.gltf(filepath=path, disable_bone_shape=True),
    ".gltf": lambda path: bpy.ops.import_scene.gltf(filepath=path, disable_bone_shape=True),
    **dict.fromkeys(
        (".usd", ".usda", ".usdc", ".usdz"),
        lambda path: bpy.ops.wm.usd_import(filepath=path, set_frame_range=False),
    ),
}
"""Blender's importers by the ends of files' names."""


@dataclass
class Foreign:
    """What a file brought into the scene.

    Attributes:
        path: of the file.
        armature: the one that its takes move.
        actions: its takes.
        rate: frames a second that the takes were recorded at.
        per_second: scene frames a second that their keys lie at.
        up: the axis that points up where the importer left the file's; of other files Blender's.
        brought: all data-blocks that came with them.
        notes: what was changed or left out, a sentence each.
    """

    path: Path
    armature: bpy.types.Object
    actions: list[bpy.types.Action]
    rate: float
    per_second: float
    brought: list[bpy.types.ID]
    notes: list[str] = field(default_factory=list)

    @property
    def up(self) -> str:
        return "Y" if self.path.suffix.lower() in (".glb", ".gltf") else "Z"

    @property
    def seconds(self) -> float:
        """How long the longest take is."""
        ranges = [_key_range(action) for action in self.actions]
        return max((ends[1] - ends[0]) / self.per_second for ends in ranges)


@stepwise
def bring_in(context: bpy.types.Context, path: Path) -> Steps[Foreign]:
    """What Blender's importer makes of a file, with the takes in it; the scene's timing stays.

    Raises:
        FileError: there is no importer, it fails, or it brings no take of one body; then nothing is left.
    """
    before, timing = set(_data_blocks()), _timing(context.scene)
    try:
        _import(context, path)
        per_second = scene_time.frame_rate(context.scene)
        found = yield from _looked_at(path, _new_since(before), per_second)
    except BaseException:  # the user's stop, too
        discard(_new_since(before))
        raise
    finally:
        _set_timing(context.scene, timing)
    return found


@contextmanager
def whole_or_not(context: bpy.types.Context) -> Iterator[None]:
    """Where work inside ends early, what it brought into the file goes again; Actions are its driver's."""
    scene, layer = context.scene, context.view_layer
    before, timing, active = set(_data_blocks()), _timing(scene), layer.objects.active
    chosen = [item for item in layer.objects if item.select_get()]
    poses = {one: one.takemill.reference for one in bpy.data.objects if one.type == "ARMATURE"}
    try:
        yield
    except BaseException:
        discard(item for item in _new_since(before) if not isinstance(item, bpy.types.Action))
        layer.update()  # or it goes on listing what is gone
        for item in layer.objects:
            item.select_set(item in chosen)
        layer.objects.active = active
        for armature, reference in poses.items():
            armature.takemill.reference = reference
        _set_timing(scene, timing)
        raise


def discard(items: Iterable[bpy.types.ID]) -> None:
    """Take data-blocks out of the file again."""
    bpy.data.batch_remove(list(items))


@stepwise
def put_in_time(context: bpy.types.Context, found: Foreign, start: int) -> Steps[None]:
    """Move the keys of the takes to where they are right in time in the scene, the first at `start`."""
    scene = context.scene
    factor = scene_time.frame_rate(scene) / found.per_second
    for action in found.actions:
        first, _ = _key_range(action)
        for curve in _curves(action):
            _retime(curve, first, factor, start)
            yield None
        action.use_frame_range = False


# The file ------------------------------------------------------------------------------------------


def _import(context: bpy.types.Context, path: Path) -> None:
    if not path.is_file():
        raise FileError(f"cannot read {path}: there is no such file")
    active = context.view_layer.objects.active
    if active and active.mode != "OBJECT":
        bpy.ops.object.mode_set(mode="OBJECT")
    try:
        done = IMPORTERS[path.suffix.lower()](str(path))
    except AttributeError:
        raise FileError(
            f"{path}: Blender's importer for it is switched off; enable it under Preferences > Add-ons"
        ) from None
    except RuntimeError as problem:  # how an operator's report reaches a Python caller, or a fault in it
        text = str(problem).removeprefix("Error: ").strip().splitlines()
        raise FileError(
            f"{path}: Blender cannot import it: {text[-1] if text else 'no reason given'}"
        ) from None
    if done != {"FINISHED"}:
        raise FileError(f"{path}: Blender cannot import it; export it again, or as BVH")


def _looked_at(path: Path, brought: list[bpy.types.ID], per_second: float) -> Steps[Foreign]:
    armatures = [item for item in brought if isinstance(item, bpy.types.Object) and item.type == "ARMATURE"]
    if not armatures:
        raise FileError(f"{path}: there is no skeleton in it; export the armature with its animation")
    bodies = [one for one in armatures if len(one.data.bones) >= _BODY_BONES] or armatures
    if len(bodies) > 1:
        names = " and ".join(repr(one.name) for one in bodies[:2])
        raise FileError(f"{path}: there are two bodies in it, {names}; export one alone")
    (armature,) = bodies
    takes = [item for item in brought if isinstance(item, bpy.types.Action) and moves(item, armature)]
    if not takes:
        raise FileError(f"{path}: no animation in it moves its skeleton; export the armature's animation too")
    data = armature.animation_data
    for track in list(data.nla_tracks) if data else ():  # importers stash takes there
        data.nla_tracks.remove(track)
    found = Foreign(path, armature, takes, per_second, per_second, brought)
    yield from _find_rate(found)
    for action in takes:
        yield from _drop_what_says_nothing(armature, action)
    if path.suffix.lower() == ".fbx" and any(_is_thinned(found, action) for action in takes):
        found.notes.append(
            "its exporter has thinned the keys, and what lies between is lost; where that exporter is "
            "Blender's, set Simplify to 0 under Animation"
        )
    return found


def _find_rate(found: Foreign) -> Steps[None]:
    """The rate of the takes, and at how many scene frames a second their keys lie.

    FBX files tell a rate, which Blender gives the scene; USD files tell how many of their time codes are a
    second, and the importer takes those for frames; glTF files tell neither, and their keys do.
    """
    suffix = found.path.suffix.lower()
    if suffix == ".fbx":
        return
    if suffix in (".usd", ".usda", ".usdc", ".usdz"):
        found.rate = found.per_second = _time_codes_per_second(found.path)
        return
    times = []
    for action in found.actions:
        for curve in _curves(action):
            times.append(_keys(curve)[:, 0] / found.per_second)
            yield None
    found.rate = yield from apart(lambda: rate_of_keys(np.concatenate(times)))


def _time_codes_per_second(path: Path) -> float:
    if hasattr(bpy.utils, "expose_bundled_modules"):
        bpy.utils.expose_bundled_modules()
    usd = importlib.import_module("pxr.Usd")  # Blender's own, there once it is exposed
    stage = usd.Stage.Open(str(path))
    rate = float(stage.GetTimeCodesPerSecond()) if stage else 0.0
    if not rate > 0:
        raise FileError(f"{path}: it does not tell its time codes per second; export it again")
    return rate


# Actions -------------------------------------------------------------------------------------------


def moves(action: bpy.types.Action, armature: bpy.types.Object) -> bool:
    """Whether an Action has keys on the bones of an armature."""
    try:
        actions.slot_for(action, armature)
    except InputError:
        return False
    return True


def _curves(action: bpy.types.Action) -> list[bpy.types.FCurve]:
    bags = (actions.channelbag(action, slot) for slot in action.slots)
    return [curve for bag in bags if bag for curve in bag.fcurves if len(curve.keyframe_points)]


def _keys(curve: bpy.types.FCurve) -> Array:
    """Frames and values (N, 2)."""
    keys = np.empty(2 * len(curve.keyframe_points), np.float32)
    curve.keyframe_points.foreach_get("co", keys)
    return keys.reshape(-1, 2).astype(np.float64)


def _key_range(action: bpy.types.Action) -> tuple[float, float]:
    ends = np.array([tuple(curve.range()) for curve in _curves(action)], np.float64)
    return float(ends[:, 0].min()), float(ends[:, 1].max())


def _retime(curve: bpy.types.FCurve, first: float, factor: float, start: int) -> None:
    """Move keys and handles; a key that is nearly on a frame is put there."""
    points = curve.keyframe_points
    for name in ("handle_left", "handle_right", "co"):
        values = np.empty(2 * len(points), np.float32)
        points.foreach_get(name, values)
        frames = start + (values[0::2].astype(float) - first) * factor
        if name == "co":
            near = np.abs(frames - frames.round()) < _WHOLE
            frames = np.where(near, frames.round(), frames)
        values[0::2] = frames
        points.foreach_set(name, values)
    curve.update()


def _is_thinned(found: Foreign, action: bpy.types.Action) -> bool:
    """Whether bones that turn throughout have fewer keys than the take has frames."""
    first, last = _key_range(action)
    frames = round((last - first) * found.rate / found.per_second) + 1
    counts = [len(curve.keyframe_points) for curve in _curves(action) if "rotation" in curve.data_path]
    return any(2 < count < frames for count in counts)


def _drop_what_says_nothing(armature: bpy.types.Object, action: bpy.types.Action) -> Steps[None]:
    """Take away scales of 1, and keys on the object that never change: there it stays where they put it.

    A pose with either is read frame by frame, which takes long and says the same.
    """
    for slot in action.slots:
        bag = actions.channelbag(action, slot)
        for curve in list(bag.fcurves) if bag else ():
            named = actions.bone_channel(curve.data_path)
            values = _keys(curve)[:, 1] if len(curve.keyframe_points) else np.ones(1, np.float32)
            if named and named[1] == "scale" and np.abs(values - 1).max() < _SAME:
                bag.fcurves.remove(curve)
            elif curve.data_path in _KEYED_TRANSFORM and np.ptp(values) < _SAME:
                place = getattr(armature, curve.data_path)
                if abs(place[curve.array_index] - values[0]) < _SAME:
                    bag.fcurves.remove(curve)
            yield None


# The file's data-blocks ---------------------------------------------------------------------------


def _data_blocks() -> dict[int, bpy.types.ID]:
    """All data-blocks, by their places in memory: names may be given to others meanwhile."""
    kinds = [one.identifier for one in bpy.data.bl_rna.properties if one.type == "COLLECTION"]
    return {item.as_pointer(): item for kind in kinds for item in getattr(bpy.data, kind)}


def _new_since(before: Collection[int]) -> list[bpy.types.ID]:
    return [item for place, item in _data_blocks().items() if place not in before]


_Timing = tuple[int, float, int, int, int]


def _timing(scene: bpy.types.Scene) -> _Timing:
    render = scene.render
    return render.fps, render.fps_base, scene.frame_start, scene.frame_end, scene.frame_current


def _set_timing(scene: bpy.types.Scene, timing: _Timing) -> None:
    scene.render.fps, scene.render.fps_base, scene.frame_start, scene.frame_end, frame = timing
    scene.frame_set(frame)
