"""Which control of a rig moves which bone, found by moving each and evaluating the rig.

The rig is evaluated in a scene of its own, without meshes and other objects, its pose cleared and without
its Action; afterwards everything is as it was.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass

import bpy
import numpy as np
from mathutils import Quaternion

from takemill.base.checks import Array, Index, Mask
from takemill.base.errors import InputError

from ..scene.steps import Steps
from .control_graph import BoneGraph, Switch
from .rig import read_rig, set_pose

_TURN = Quaternion((0.52, 0.28, 0.81), 0.6)  # about no bone's own axis, and far enough to be told from noise
_MOVED = 1e-4  # of the rig's size, or parts of a matrix: single precision leaves about 1e-6
_RIGID = 1e-3  # the same, between a control and what it carries
_MISSING = (
    1000  # what a joint without a control of its own counts beside pairs that move without being carried
)


@dataclass(frozen=True)
class Scan:
    """What each of C controls does to all N bones.

    Attributes:
        controls: (C,) their bones.
        rest: (N, 4, 4) the pose with nothing moved, in armature space.
        moved: (C, N) whether the bone moves with the control.
        rigid: (C, N) whether it goes along as one piece with it.
        carried: (C, N) the same of its head and its tail alone; it may roll about itself.
    """

    controls: Index
    rest: Array
    moved: Mask
    rigid: Mask
    carried: Mask


class Bench:
    """A rig on its own, with a cleared pose."""

    def __init__(self, armature: bpy.types.Object, layer: bpy.types.ViewLayer) -> None:
        self.armature, self._layer = armature, layer
        rest = read_rig(armature).rest_position
        self.size = float(np.ptp(rest, axis=0).max()) or 1.0
        self.lengths = np.array([bone.length for bone in armature.data.bones]) / self.size

    def poses(self) -> Array:
        """All bones (N, 4, 4) in armature space, lengths in sizes of the rig."""
        self.armature.update_tag()
        self._layer.update()
        bones = self.armature.evaluated_get(self._layer.depsgraph).pose.bones
        buffer = np.empty(16 * len(bones), np.float32)
        bones.foreach_get("matrix", buffer)
        out = buffer.reshape(-1, 4, 4).swapaxes(1, 2).astype(np.float64)
        out[:, :3, 3] /= self.size
        return out

    def value(self, switch: Switch) -> float | bool:
        """How a switch stands."""
        return self.armature.pose.bones[switch.bone][switch.key]

    def set(self, switch: Switch, value: float) -> None:
        """Set a switch, in the kind of number that it holds."""
        self.armature.pose.bones[switch.bone][switch.key] = type(self.value(switch))(value)

    def turn(self, bones: Sequence[int], back: bool = False) -> None:
        """Turn bones away from their rest, or back."""
        for bone in bones:
            pose = self.armature.pose.bones[int(bone)]
            pose.matrix_basis = (Quaternion() if back else _TURN).to_matrix().to_4x4()


@contextmanager
def bench(armature: bpy.types.Object) -> Iterator[Bench]:
    """The rig on its own; afterwards its pose, its Action and its properties are as they were.

    Raises:
        InputError: it is in the tweak mode of an NLA strip.
    """
    data = armature.animation_data
    if data and data.use_tweak_mode:
        raise InputError(f"armature {armature.name!r}: leave the tweak mode of its NLA strip and try again")
    posed, position = read_rig(armature), armature.data.pose_position
    played = (data.action, data.action_slot, data.use_nla) if data else None
    values = {
        bone.name: {key: value for key, value in bone.items() if isinstance(value, (int, float, bool))}
        for bone in armature.pose.bones
    }
    scene = bpy.data.scenes.new("takemill")
    try:
        if data:
            data.action, data.use_nla = None, False
        armature.data.pose_position = "POSE"
        set_pose(armature, posed.cleared)
        scene.collection.objects.link(armature)
        yield Bench(armature, scene.view_layers[0])
    finally:
        bpy.data.scenes.remove(scene)
        armature.data.pose_position = position
        for bone in armature.pose.bones:
            for key, value in values[bone.name].items():
                if bone[key] != value:
                    bone[key] = value
        if played:
            data.action, data.use_nla = played[0], played[2]
            if played[0]:
                data.action_slot = played[1]
        set_pose(armature, posed)


def scan(rig: Bench, graph: BoneGraph, controls: Index) -> Steps[Scan]:
    """What each control (C,) does to all bones."""
    rest = rig.poses()
    moved, rigid, carried = (np.zeros((len(controls), len(rest)), bool) for _ in range(3))
    for batch in _batches(graph, controls):
        bones = controls[batch]
        rig.turn(bones)
        now = rig.poses()
        rig.turn(bones, back=True)
        yield None
        for row, bone in zip(batch, bones, strict=True):
            seen = graph.reach[bone] if not graph.foreign else np.ones(len(rest), bool)
            moved[row] = seen & (np.abs(now - rest).max(axis=(1, 2)) > _MOVED)
            along = np.linalg.inv(now[bone]) @ now - np.linalg.inv(rest[bone]) @ rest
            rigid[row] = moved[row] & (np.abs(along).max(axis=(1, 2)) < _RIGID)
            tails = along[:, :3, 1] * rig.lengths[:, None] + along[:, :3, 3]
            apart = np.maximum(np.abs(along[:, :3, 3]), np.abs(tails)).max(axis=1)
            carried[row] = moved[row] & (apart < _RIGID * rig.lengths)
    rest = rest.copy()
    rest[:, :3, 3] *= rig.size
    return Scan(controls, rest, moved, rigid, carried)


def choose_switches(
    rig: Bench, graph: BoneGraph, controls: Index, joints: Index, above: Index
) -> Steps[dict[Switch, float]]:
    """Set switches so that joints have controls of their own, and what moves is carried as one piece.

    joints: (K,) the bones that are to be posed, above: (K,) the joint that carries each, -1 for none.
    Switches that change nothing of the joints, or nothing in what carries them, stay as they are.
    """
    known, seen = dict[Switch, float](), set[Switch]()
    waiting = [one for one, owners in graph.switches.items() if graph.reach[np.ix_(owners, joints)].any()]
    for _ in range(4):  # a switch can hide behind another
        touched = {}
        for one in waiting:
            if one not in seen:
                touched[one] = _changed(rig, one, controls, joints)
                yield None
        touched = {one: which for one, which in touched.items() if which.any()}
        group: list[Switch] = []
        for one, which in touched.items():
            if not any((which & touched[other]).any() for other in group):
                group.append(one)
        if not group:
            break
        which = np.any([touched[one] for one in group], axis=0)
        near = controls[graph.reach[np.ix_(controls, joints[which])].any(axis=1)]
        before, costs = {one: rig.value(one) for one in group}, {}
        for value in (0.0, 1.0):
            for one in group:
                rig.set(one, value)
            found = yield from scan(rig, graph, near)
            costs[value] = {one: _cost(found, joints[touched[one]], above[touched[one]]) for one in group}
        for one in group:
            seen.add(one)
            if costs[0.0][one] == costs[1.0][one]:
                rig.set(one, before[one])
                continue
            known[one] = min((0.0, 1.0), key=lambda value: costs[value][one])
            rig.set(one, known[one])
    needed = {}
    for one, value in known.items():
        if _changed(rig, one, controls, joints).any():
            needed[one] = value
        yield None
    return needed


def _changed(rig: Bench, switch: Switch, controls: Index, joints: Index) -> Mask:
    """(K,) the joints that a switch moves while all controls are turned."""
    before, seen = rig.value(switch), []
    rig.turn(controls)
    for value in (0.0, 1.0):
        rig.set(switch, value)
        seen.append(rig.poses()[joints])
    rig.set(switch, before)
    rig.turn(controls, back=True)
    return np.abs(seen[1] - seen[0]).max(axis=(1, 2)) > _MOVED


def _cost(found: Scan, joints: Index, above: Index) -> int:
    """Joints without a control that carries them and not what carries them, and pairs that only move."""
    with_above = np.where(above >= 0, found.carried[:, above], False)
    lacking = int((~(found.carried[:, joints] & ~with_above).any(axis=0)).sum())
    loose = int((found.moved[:, joints] & ~found.carried[:, joints]).sum())
    return _MISSING * lacking + loose


def _batches(graph: BoneGraph, controls: Index) -> list[Index]:
    """Rows of controls that can be turned at once, since no bone hangs on two of them."""
    if graph.foreign:
        return [np.array([row]) for row in range(len(controls))]
    batches: list[tuple[list[int], Mask]] = []
    for row, bone in enumerate(controls):
        for rows, taken in batches:
            if not (taken & graph.reach[bone]).any():
                rows.append(row)
                taken |= graph.reach[bone]
                break
        else:
            batches.append(([row], graph.reach[bone].copy()))
    return [np.array(rows) for rows, _ in batches]
