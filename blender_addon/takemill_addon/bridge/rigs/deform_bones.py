"""The bones that bend a character's meshes, as a skeleton of their own, whatever mechanism holds them.

In a control rig they hang on helpers, or on nothing: which of them carries which is told from where the
helpers above them lie, since a helper that rests where a deforming bone does stands for it.
"""

from __future__ import annotations

import bpy
import numpy as np

from takemill.base.checks import Array, Index, Mask
from takemill.maths import quat

from . import mesh_soles
from .rig import Rig

_SAME_PLACE = 1e-4  # of the rig's size: heads that lie closer lie in one place
_SAME_WAY = 0.996  # cosine, 5 degrees: such bones point the same way


def deforming(armature: bpy.types.Object) -> list[int]:
    """The numbers of the bones that deform: those with weights where there are some, else all marked."""
    bones = armature.data.bones
    weighted = {group.name for mesh in mesh_soles.deformed_meshes(armature) for group in mesh.vertex_groups}
    marked = [index for index, bone in enumerate(bones) if bone.use_deform]
    used = [index for index in marked if bones[index].name in weighted]
    return used or marked


def deform_parents(rig: Rig, bones: list[int]) -> Index:
    """For each of these bones of a rig the place in the list of the one that carries it; -1 for one."""
    stand_in = stand_ins(rig, bones)
    out = np.full(len(bones), -1)
    for k, bone in enumerate(bones):
        above = rig.parents[bone]
        while above >= 0:
            found = stand_in.get(above)
            if found is not None and found != k and k not in _above(out, found):
                out[k] = found
                break
            above = rig.parents[above]
    return _one_root(rig, bones, out)


def stand_ins(rig: Rig, bones: list[int]) -> dict[int, int]:
    """Bone of a rig -> the place in the list of the one that it stands for: itself, or what rests there."""
    place = {bone: k for k, bone in enumerate(bones)}
    heads, ways = rig.rest_position, quat.rotate(rig.rest_rotation, np.array([0.0, 1.0, 0.0]))
    size = float(np.ptp(heads, axis=0).max()) or 1.0
    out = {}
    for index in range(len(rig.names)):
        if index in place:
            out[index] = place[index]
            continue
        apart = np.linalg.norm(heads[bones] - heads[index], axis=1) > _SAME_PLACE * size
        along = np.where(apart, -1.0, ways[bones] @ ways[index])
        best = int(np.argmax(along))
        if along[best] > _SAME_WAY:
            out[index] = best
    return out


def _one_root(rig: Rig, bones: list[int], parents: Index) -> Index:
    """Hang every tree but the largest on the bone of another that passes nearest to it."""
    out = parents.copy()
    while True:
        tops = [_top(out, k) for k in range(len(out))]
        roots = sorted(set(tops), key=tops.count)
        if len(roots) == 1:
            return out
        root = roots[0]
        others = [k for k in range(len(out)) if tops[k] != root]
        gaps = [_gap(rig, bones[k], rig.rest_position[bones[root]]) for k in others]
        out[root] = others[int(np.argmin(gaps))]


def _gap(rig: Rig, bone: int, point: Array) -> float:
    """How far a point lies from a bone at rest."""
    head, turn = rig.rest_position[bone], rig.rest_rotation[bone]
    way = quat.rotate(turn, np.array([0.0, rig.length[bone], 0.0]))
    share = np.clip((point - head) @ way / max(float(way @ way), 1e-12), 0.0, 1.0)
    return float(np.linalg.norm(head + share * way - point))


def _above(parents: Index, k: int) -> list[int]:
    out = [k]
    while parents[out[-1]] >= 0:
        out.append(int(parents[out[-1]]))
    return out


def _top(parents: Index, k: int) -> int:
    return _above(parents, k)[-1]


def chosen_bones(rig: Rig, bones: list[int], parents: Index, ends: Mask | None = None) -> Rig:
    """The rig's bones (K,) alone, parents before children, each hanging on its parent in the list.

    With `ends` (N,) the tails of these bones too are ends of the body, of the bones that they hang on: heels,
    for one, which deform nothing.
    """
    depth = [len(_above(parents, k)) for k in range(len(bones))]
    order = sorted(range(len(bones)), key=lambda k: (depth[k], bones[k]))
    new = {old: k for k, old in enumerate(order)}
    taken = [bones[k] for k in order]
    place = {bone: k for k, bone in enumerate(taken)}
    owners, tips = _ends(rig, taken, np.zeros(len(rig.names), bool) if ends is None else ends)
    return Rig(
        tuple(rig.names[bone] for bone in taken),
        tuple(new[int(parents[k])] if parents[k] >= 0 else -1 for k in order),
        tuple(rig.modes[bone] for bone in taken),
        rig.rest_rotation[taken],
        rig.rest_position[taken],
        rig.length[taken],
        np.zeros(len(taken), bool),  # each is posed on its own
        np.ones(len(taken), bool),
        np.ones(len(taken), bool),
        rig.deform[taken],
        rig.location[taken],
        rig.rotation_values[taken],
        rig.scale[taken],
        owners,
        tips,
        rig.soles.among(place),
    )


def _ends(rig: Rig, bones: list[int], more: Mask) -> tuple[tuple[int, ...], Array]:
    """The ends of the body: the bones (E,) by their places in the list, and the ends (E, 3) there."""
    stand_in, owners, ends = stand_ins(rig, bones), [], []
    for bone, offset in zip(rig.tip_bones, rig.tip_offsets, strict=True):
        above: int | None = bone
        if bone not in bones:
            above = bone if more[bone] and bone not in stand_in else None
            while above is not None and above not in stand_in:
                parent = rig.parents[above]
                above = parent if parent in stand_in or (parent >= 0 and more[parent]) else None
        if above is None:
            continue
        owner = bones[stand_in[above]]
        end = rig.rest_position[bone] + quat.rotate(rig.rest_rotation[bone], offset)
        owners.append(stand_in[above])
        ends.append(quat.rotate(quat.inv(rig.rest_rotation[owner]), end - rig.rest_position[owner]))
    return tuple(owners), np.array(ends).reshape(-1, 3)
