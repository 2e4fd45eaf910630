"""Properties that a library override may change: characters are linked into shots, and mapped there."""

from __future__ import annotations

import inspect
from typing import TypeVar

import bpy

KEPT = {"LIBRARY_OVERRIDABLE"}
"""Changes to an override are kept with the file."""

_KEPT_ROWS = KEPT | {"USE_INSERTION"}  # rows may be added; those of the library stay

Group = TypeVar("Group", bound=type)


def overridable(group: Group) -> Group:
    """A property group, all of whose properties are kept with an override."""
    known = inspect.get_annotations(group, eval_str=True)
    for deferred in known.values():
        is_rows = deferred.function is bpy.props.CollectionProperty
        deferred.keywords["override"] = _KEPT_ROWS if is_rows else KEPT
    group.__annotations__ = known
    return group
