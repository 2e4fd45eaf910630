"""Where the body ends at bones, kept with them: heels, toes, finger tips, the crown."""

from __future__ import annotations

from collections.abc import Iterable

import bpy
import numpy as np

from takemill.base.checks import Array
from takemill.maths import quat
from takemill.maths.rolls import turned_axes


def keep(armature: bpy.types.Object, ends: Iterable[tuple[str, Array]]) -> None:
    """Keep ends with bones, by name, each (3,) in the bone's space; for all others that they have none."""
    bones = armature.data.bones
    for bone, rest in zip(bones, _rest(bones), strict=True):
        bone.takemill.ends_known, bone.takemill.ends_rest = True, rest
        bone.takemill.ends.clear()
    for name, place in ends:
        bones[name].takemill.ends.add().place = np.asarray(place) / bones[name].length


def kept(bones: bpy.types.ArmatureBones) -> tuple[tuple[int, ...], Array]:
    """The ends of the body (K,), by their bones, and where they lie (K, 3) in the bones' space.

    They stay where the body has them when a bone's roll is changed. A bone of which nothing is known ends at
    its tail.
    """
    # The bridge also works where the add-on is switched off.
    groups = [getattr(bone, "takemill", None) for bone in bones]
    known = [group if group and group.ends_known else None for group in groups]
    there = [k for k, one in enumerate(known) if one is not None and any(one.ends_rest)]
    turns = np.tile(quat.IDENTITY, (len(known), 1))
    if there:
        then = quat.normalize(np.array([tuple(known[k].ends_rest) for k in there], float))
        turns[there] = turned_axes(then, _rest(bones)[there])
    owners, places = [], []
    for index, (bone, one) in enumerate(zip(bones, known, strict=True)):
        ends = [tuple(end.place) for end in one.ends] if one is not None else [(0.0, 1.0, 0.0)]
        owners += [index] * len(ends)
        places += [bone.length * quat.rotate(turns[index], np.array(end)) for end in ends]
    return tuple(owners), np.array(places).reshape(-1, 3)


def _rest(bones: bpy.types.ArmatureBones) -> Array:
    """(N, 4) how bones are turned at rest, in the armature's space."""
    return quat.from_matrix(np.array([bone.matrix_local.to_3x3() for bone in bones], float))
