"""Settings of a panel that an operator shows in the panel of the last operation (F9), too.

Pressed, it shows those of the scene. Changed there, Blender undoes it and runs it with the new ones, which
become the scene's in the same step: panel, undo and the record of what was asked go together.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import bpy

Kind = TypeVar("Kind", bound=type)


def adjustable(owner: type, *names: str) -> Callable[[Kind], Kind]:
    """Give an operator some properties of a group that holds settings of the scene."""

    def add(kind: Kind) -> Kind:
        known = inspect.get_annotations(owner, eval_str=True)
        own = inspect.get_annotations(kind, eval_str=True)
        for name in names:
            how = dict(known[name].keywords)
            how["options"] = {*how.get("options", ()), "SKIP_SAVE"}  # pressed again, it asks the panel again
            own[name] = known[name].function(**how)
        kind.__annotations__ = own
        kind.adjusts = (*kind.adjusts, *names)
        return kind

    return add


def fill(operator: Any, scene: bpy.types.Scene) -> None:
    """Show the scene's settings where the operator was given none."""
    for name in operator.adjusts:
        if not operator.properties.is_property_set(name):
            setattr(operator, name, getattr(scene.takemill, name))


def apply(operator: Any, scene: bpy.types.Scene) -> Callable[[], None]:
    """Make what the operator was given the scene's settings; what puts back those that were there."""
    chosen, before = scene.takemill, {}
    for name in operator.adjusts:
        value, old = getattr(operator, name), getattr(chosen, name)
        if operator.properties.is_property_set(name) and value != old:
            before[name] = old
            setattr(chosen, name, value)
    return partial(_put_back, chosen, before)


def _put_back(chosen: bpy.types.PropertyGroup, before: dict[str, Any]) -> None:
    for name, value in before.items():
        setattr(chosen, name, value)
