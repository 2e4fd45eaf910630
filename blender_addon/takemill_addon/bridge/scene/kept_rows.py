"""Rows that are kept with an armature, as its body map and its clips: put back, and taken off their lists."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator

import bpy

from takemill.base.errors import InputError


@contextlib.contextmanager
def body_kept_back(armature: bpy.types.Object) -> Iterator[None]:
    """The body map of an armature is as it was if what is done inside fails or is stopped."""
    known = armature.takemill
    before = [(part.name, part.bone) for part in known.parts], known.height_m, known.reference
    try:
        yield
    except BaseException:
        rows, known.height_m, known.reference = before
        known.parts.clear()
        kept = {part.name: part for part in known.parts}  # rows of a library stay
        for name, bone in rows:
            item = kept.get(name) or known.parts.add()
            item.name, item.bone = name, bone
        raise


def remove_row(rows: bpy.types.bpy_prop_collection, place: int) -> str:
    """Take a row off a list that is kept with an armature, and say its name.

    Raises:
        InputError: it is one of a library, from which an override can remove nothing.
    """
    name = rows[place].name
    try:
        rows.remove(place)
    except TypeError:
        raise InputError(f"{name} is linked from another file; untick it here, or remove it there") from None
    return name
