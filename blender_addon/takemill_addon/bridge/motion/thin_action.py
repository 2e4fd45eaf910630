"""A copy of an Action with fewer keys, for an animator to edit; what it plays stays within a bound.

Location and rotation of bones are thinned, each with its own keys. All else in the Action is copied as it is.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import bpy
import numpy as np

from takemill.base.checks import Array, Index
from takemill.curves.thin import Curves, CurveSettings, ThinCurves, thin_curves

from ..rigs import rotation_modes
from ..rigs.bone_curves import BoneCurve, Channels, bone_curves, read_channels
from ..rigs.rig import ArmatureFrame, Rig, read_rig
from ..scene import actions
from ..scene.steps import DRAW, Steps, apart, stepwise
from .read_action import key_frames, quaternions_of

# Blender's numbers for Keyframe.interpolation, and for the type of a handle, as foreach_set takes them.
_LINEAR, _BEZIER, _ALIGNED = 1, 2, 3


class _Row(NamedTuple):
    """One F-curve: its path, its component, the bone that it moves, and whether it turns it."""

    path: str
    component: int
    bone: int
    turns: bool


class Thinning:
    """The thinning of an Action: read first, then worked out, then written.

    Only the first and the last touch Blender's data; the work may be done in a thread of its own.
    """

    _thin: ThinCurves | None = None

    @staticmethod
    @stepwise
    def of(
        armature: bpy.types.Object,
        action: bpy.types.Action,
        settings: CurveSettings,
        loop: bool = False,
    ) -> Steps[Thinning]:
        """`action` as it moves `armature`.

        Raises:
            InputError: no pose curves, no whole frame between the keys, or a scale that cannot be read.
        """
        self = Thinning()
        self._action, self._settings, self._loop = action, settings, loop
        self._slot, self._rig = actions.slot_for(action, armature), read_rig(armature)
        found = bone_curves(actions.channelbag(action, self._slot))
        self._frames = key_frames(action, found)
        self._channels = yield from read_channels.steps(self._rig, found, self._frames)
        self._rows = _rows(self._rig, found)
        self._curves = yield from apart(_curves, self._channels, self._rows)
        frame = ArmatureFrame.of(armature)
        self._size, self._skeleton = frame.size, frame.world_skeleton(self._rig.skeleton)
        return self

    def work(self, progress: Callable[[float], object] | None = None) -> None:
        """Find the keys; `progress` is called with the share done; what it raises ends the work."""
        self._thin = thin_curves(
            self._curves, self._skeleton, self._pose, self._settings, self._loop, progress
        )

    @stepwise
    def write(self, name: str) -> Steps[tuple[bpy.types.Action, int, int]]:
        """A thinned copy of the Action, called `name`, and how many keys there were and are.

        A property gets no more keys than it had: where it would, its curves stay as they are.
        """
        thin = self._thin
        assert thin is not None, "work comes first"
        yield DRAW
        new = self._action.copy()
        new.name, new.use_fake_user = name, True
        yield DRAW
        bag = actions.channelbag(new, new.slots[list(self._action.slots).index(self._slot)])
        before = after = 0
        for row, values, slopes, group in zip(
            self._rows, self._curves.values, thin.slopes, self._curves.group, strict=True
        ):
            curve = bag.fcurves.find(row.path, index=row.component)
            keys, count = np.flatnonzero(thin.keys[group]), len(curve.keyframe_points)
            if len(keys) < count:
                steep = slopes[keys] if self._settings.smooth else None
                _write(curve, self._frames.start + keys, values[keys], steep)
            before, after = before + count, after + len(curve.keyframe_points)
            yield None
        return new, before, after

    def _pose(self, values: Array) -> tuple[Array, Array]:
        rotations, translations = _local(self._rig, self._channels, self._rows, values)
        return rotations, translations * self._size


def _curves(channels: Channels, rows: list[_Row]) -> Curves:
    """The curves of all rows; those of one property are keyed together."""
    paths = list(dict.fromkeys(row.path for row in rows))
    first = {row.path: row for row in reversed(rows)}
    values = [
        (channels.rotation if row.turns else channels.location)[:, row.bone, row.component] for row in rows
    ]
    return Curves(
        np.array(values).reshape(len(rows), len(channels.location)),
        np.array([paths.index(row.path) for row in rows], np.intp),
        np.array([first[path].bone for path in paths], np.intp),
        np.array([first[path].turns for path in paths], bool),
    )


def _rows(rig: Rig, curves: list[BoneCurve]) -> list[_Row]:
    """The F-curves that can be thinned: those that bones follow, without modifiers that shape them."""
    place = {name: index for index, name in enumerate(rig.names)}
    out = []
    for curve, name, path in curves:
        bone = place.get(name)
        shaped = any(one.type != "CYCLES" and not one.mute for one in curve.modifiers)
        if bone is None or shaped:
            continue
        turns = path == rotation_modes.path_of(rig.modes[bone])
        if turns or path == "location":
            out.append(_Row(curve.data_path, curve.array_index, bone, turns))
    return out


def _local(rig: Rig, channels: Channels, rows: list[_Row], values: Array) -> tuple[Array, Array]:
    """Curves (C, T) -> local rotations (T, J, 4) and translations (T, J, 3), armature units."""
    count = values.shape[1]
    location, rotation = (
        np.repeat(part[:1], count, axis=0) for part in (channels.location, channels.rotation)
    )
    for row, curve in zip(rows, values, strict=True):
        (rotation if row.turns else location)[:, row.bone, row.component] = curve
    return rig.local_from_basis(location, quaternions_of(rig, rotation))


def _write(curve, frames: Index, values: Array, slopes: Array | None) -> None:
    """Keys instead of those of the curve; with slopes (N,), per frame, Bezier curves with aligned handles."""
    points = curve.keyframe_points
    points.clear()
    points.add(len(frames))
    keys = np.stack([frames, values], axis=-1).astype(np.float32)
    reach = np.diff(frames, prepend=frames[0] - 1, append=frames[-1] + 1) / 3
    kind = _LINEAR if slopes is None else _BEZIER
    steep = np.zeros(len(frames)) if slopes is None else slopes
    points.foreach_set("co", keys.ravel())
    points.foreach_set("interpolation", np.full(len(frames), kind, np.uint8))
    for side, way in (("left", -reach[:-1]), ("right", reach[1:])):
        handles = np.stack([frames + way, values + way * steep], axis=-1).astype(np.float32)
        points.foreach_set(f"handle_{side}", handles.ravel())
        points.foreach_set(f"handle_{side}_type", np.full(len(frames), _ALIGNED, np.uint8))
