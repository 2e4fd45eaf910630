"""What an overlay is drawn for: the armature that is worked on, its Action, and the frame that is shown."""

from __future__ import annotations

from collections.abc import Callable, Hashable
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any, Generic, TypeVar

import bpy
from mathutils import Matrix

from ..bridge.takes import stage
from ..properties.preferences import names_of, overlay_settings

T = TypeVar("T")

_PLACE_DIGITS = 4  # of an armature's size and tilt that count


@dataclass(frozen=True)
class View:
    """What overlays know when they are drawn. It is used at once and never kept: it refers to Blender's data.

    Attributes:
        context, scene, armature, action: Blender's; there is always an armature and an action.
        settings: the switches and colours of the overlays.
        frame: the scene's frame, a part of one too.
        edits: grows whenever an Action or an armature was changed, by undo too.
        key_edits: the same of changes that have moved an armature: what lists hold is none.
        known: what was found out for this view and is asked for again, by a name.
    """

    context: bpy.types.Context
    scene: bpy.types.Scene
    armature: bpy.types.Object
    action: bpy.types.Action
    settings: bpy.types.PropertyGroup
    frame: float
    edits: int
    key_edits: int
    known: dict[str, Any] = field(default_factory=dict, compare=False, repr=False)

    @classmethod
    def of(cls, context: bpy.types.Context) -> View | None:
        """The view of a window; None while no armature with an action is worked on."""
        if context.view_layer is None or context.scene is None:
            return None
        armature = stage.armature_of(context)
        action = stage.find_active_action(armature) if armature else None
        if armature is None or action is None:
            return None
        scene = context.scene
        settings = overlay_settings(context)
        frame = scene.frame_current_final
        return cls(context, scene, armature, action, settings, frame, EDITS.all, EDITS.keys)

    @cached_property
    def common(self) -> Hashable:
        """What all drawings depend on."""
        colours = tuple(getattr(self.settings, name)[:] for name in names_of("colour_"))
        return self.armature.session_uid, self.action.session_uid, self.edits, colours

    @cached_property
    def take_key(self) -> Hashable:
        """All that the facts of the take depend on."""
        chosen, render, world = self.scene.takemill, self.scene.render, self.armature.matrix_world
        parts = tuple((one.name, bone) for one in self.armature.takemill.parts if (bone := one.bone))
        track = (chosen.root_motion_turn, chosen.root_motion_height, chosen.root_motion_smooth_hz)
        place = (*world.to_scale(), *world.to_3x3().normalized()[2])  # its size and what is up; not where
        place = tuple(round(value, _PLACE_DIGITS) for value in place)
        ours = self.armature.session_uid, self.action.session_uid, self.key_edits
        return *ours, parts, render.fps, render.fps_base, track, place

    def places(self, from_take: Matrix | None) -> dict[str, Matrix]:
        """From each space of strokes to the world; `from_take` leads from the take's to the armature's."""
        world = self.armature.matrix_world.copy()
        return {"WORLD": Matrix(), "ARMATURE": world, "TAKE": world @ from_take if from_take else world}


class Remembered(Generic[T]):
    """What was made last of something that costs more than a redraw has, for as long as its key stays."""

    def __init__(self) -> None:
        self._last: tuple[Hashable, T] | None = None

    def get(self, key: Hashable, make: Callable[[], T]) -> T:
        """What was made for this key; made now where that is another one than the last."""
        if self._last is None or self._last[0] != key:
            self._last = key, make()
        return self._last[1]


@dataclass
class Edits:
    """How often something was changed since Blender began."""

    all: int = 0
    keys: int = 0

    def note(self, keys: bool) -> None:
        """Count a change, of keys or bones where it may be one."""
        self.all += 1
        self.keys += keys


EDITS = Edits()
