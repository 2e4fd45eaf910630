"""What the faces of a character play: shape keys of its meshes, by their own Actions, on the takes' clock."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.clip.face import Face
from takemill.pipeline.face_clips import describe_faceless, face_clips
from takemill.pipeline.finish_clip import FinishedClip

from ..motion.read_action import take_frames
from ..rigs.export_rig import parts_of
from ..scene import actions, scene_time

_MAX_OVER = 1e-4  # by which a key may pass a limit: keys lie in float32


@dataclass(frozen=True)
class ActedFace(Face):
    """A face that is read off F-curves at any moment; its `values` are those of its whole frames.

    Attributes:
        curves: of the shapes (W).
        first: the scene frame at which the take begins.
        scene_rate: scene frames per second.
    """

    curves: tuple[bpy.types.FCurve, ...] = ()
    first: float = 0.0
    scene_rate: float = 1.0

    def at(self, seconds: Array) -> Array:
        frames = self.first + np.asarray(seconds) * self.scene_rate
        values = [[curve.evaluate(frame) for frame in frames.tolist()] for curve in self.curves]
        return self.within_limits(np.array(values).T)


def with_faces(
    context: bpy.types.Context,
    armature: bpy.types.Object,
    clips: Sequence[FinishedClip],
    sources: dict[str, bpy.types.Action],
    neutral: str,
) -> tuple[tuple[FinishedClip, ...], tuple[str, ...]]:
    """The clips with what the face plays in them, and what is to be said of what is left out.

    `sources` are the Actions that the clips were cut from, by take: a face plays beside them in the scene,
    later by the armature's own offset.

    Raises:
        InputError: a shape's keys cannot be packed as they play.
    """
    meshes = _shaped(context, armature)
    rate, shift = scene_time.frame_rate(context.scene), armature.takemill.face_offset
    notes = [note for mesh in meshes for note in _left_out(mesh)]
    acted = [(mesh, curves) for mesh in meshes if (curves := _curves(mesh))]
    if not acted:
        return tuple(clips), tuple(notes)
    faces, rates = {}, {}
    for name, action in sources.items():
        bag = actions.channelbag(action, actions.slot_for(action, armature))
        first = take_frames(action, bag).start - shift
        faces[name] = [_face(mesh, curves, first, rate) for mesh, curves in acted]
        rates[name] = rate
    lost = sorted({clip.source for clip in clips} - faces.keys())
    if lost:
        notes.append(f"without the face: clips of {', '.join(lost)}, whose take's action is gone")
    return face_clips(clips, faces, rates, neutral), (*notes, *describe_faceless(clips, faces))


def has_faces(context: bpy.types.Context, armature: bpy.types.Object) -> bool:
    """Whether a mesh of the character has shape keys with an Action."""
    found = (mesh.data.shape_keys.animation_data for mesh in _shaped(context, armature))
    return any(data and data.action for data in found)


def action_names(context: bpy.types.Context, armature: bpy.types.Object) -> list[str]:
    """The Actions that shape keys of the character play."""
    found = (mesh.data.shape_keys.animation_data for mesh in _shaped(context, armature))
    return sorted({data.action.name for data in found if data and data.action})


def _shaped(context: bpy.types.Context, armature: bpy.types.Object) -> list[bpy.types.Object]:
    """The meshes with shape keys that are exported with a character."""
    meshes = [one for one in parts_of(context, armature) if one.type == "MESH" and one.data.shape_keys]
    return [one for one in meshes if one.visible_get(view_layer=context.view_layer)]


def _face(mesh: bpy.types.Object, curves: dict[str, bpy.types.FCurve], first: float, rate: float) -> Face:
    keys, names = mesh.data.shape_keys.key_blocks, tuple(curves)
    limits = np.array([[keys[name].slider_min, keys[name].slider_max] for name in names])
    ranges = np.array([curve.range() for curve in curves.values()])
    frames = np.arange(np.floor(ranges.min()), np.ceil(ranges.max()) + 1)
    values = np.array([[curve.evaluate(frame) for frame in frames.tolist()] for curve in curves.values()]).T
    values = np.clip(values, limits[:, 0], limits[:, 1])  # as Blender plays them
    start_s = (frames[0] - first) / rate
    return ActedFace(
        mesh.name, names, limits, rate, values, start_s, tuple(curves.values()), float(first), rate
    )


def _curves(mesh: bpy.types.Object) -> dict[str, bpy.types.FCurve]:
    """The F-curves that move a mesh's shapes, by shape, in the order of the shapes.

    Raises:
        InputError: one plays something else than its keys, or its shape is not exported.
    """
    found = {}
    data = mesh.data.shape_keys.animation_data
    bag = data and data.action and data.action_slot and actions.channelbag(data.action, data.action_slot)
    driven = {one.data_path for one in data.drivers if not one.mute} if data else set()
    for key in mesh.data.shape_keys.key_blocks[1:]:  # the first is the shape at rest
        path = f'key_blocks["{bpy.utils.escape_identifier(key.name)}"].value'
        curve = bag and bag.fcurves.find(path)
        if not curve or curve.mute or curve.is_empty:
            continue
        who = f"mesh {mesh.name!r}, shape key {key.name!r}"
        if path in driven:
            raise InputError(f"{who}: it has keys and a driver; remove the driver, or mute the keys' curve")
        if key.mute:
            raise InputError(f"{who}: it is muted and has keys; unmute it, or mute the keys' curve")
        for point in curve.keyframe_points:
            at, value = point.co.x, point.co.y
            if not key.slider_min - _MAX_OVER <= value <= key.slider_max + _MAX_OVER:
                raise InputError(
                    f"{who}: its key at frame {at:g} is {value:.3f}, and its range {key.slider_min:g} to "
                    f"{key.slider_max:g}; widen the range, or move the key into it"
                )
        found[key.name] = curve
    return found


def _left_out(mesh: bpy.types.Object) -> Iterator[str]:
    """What a mesh's shapes play and no clip holds."""
    shapes = mesh.data.shape_keys
    data = shapes.animation_data
    if data is None:
        return
    driven = {one.data_path for one in data.drivers if not one.mute}
    names = [
        key.name for key in shapes.key_blocks[1:]
        if f'key_blocks["{bpy.utils.escape_identifier(key.name)}"].value' in driven
    ]  # fmt: skip
    if names:
        yield f"{mesh.name}: shape keys with drivers stay still ({', '.join(names)}); bake them to keys"
    if not shapes.use_relative:
        yield f"{mesh.name}: absolute shape keys are not packed; make them relative"
    if not data.action and any(track.strips for track in data.nla_tracks if not track.mute):
        yield f"{mesh.name}: shape keys in NLA strips are not packed; make their action the active one"
