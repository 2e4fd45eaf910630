"""The search for the controls of a rig: which control poses which joint, and what carries it."""

from __future__ import annotations

from collections.abc import Mapping

import bpy
import numpy as np

from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.body_parts import is_free
from takemill.body.upright import FindBody
from takemill.maths import quat

from ..scene.steps import Steps
from .control_graph import BoneGraph, Switch, holds, read_graph, targets_of
from .control_scan import Scan, bench, choose_switches, scan
from .controls import Control, ControlRig
from .deform_bones import chosen_bones, deform_parents, deforming
from .rig import ArmatureFrame, Rig, read_rig


def find_controls(
    armature: bpy.types.Object, parts: Mapping[str, str], find: FindBody | None = None
) -> Steps[ControlRig | None]:
    """As `control_rig`, found anew; `parts` is the body map that is kept, or empty.

    Raises:
        InputError: the body is held by constraints, and no control moves some part of it by itself.
        BodyMapError: no body is found.
    """
    rig = read_rig(armature)
    bones = deforming(armature)
    bones += [k for k, name in enumerate(rig.names) if name in parts.values() and k not in bones]
    parents = deform_parents(rig, bones)
    whole = chosen_bones(rig, bones, parents)
    standing = ArmatureFrame.of(armature).standing.world_skeleton(whole.skeleton)
    body = BodyMap.from_names(whole.skeleton, parts) if parts else (find or find_body_map)(standing)
    named = {part: whole.names[joint] for part, joint in body.joints.items() if part != "root"}
    graph = read_graph(armature)
    place = {name: k for k, name in enumerate(rig.names)}
    main = [place[bone] for part, bone in named.items() if not is_free(part)]
    if not any(_held(armature, graph, bone) for bone in main):
        return None
    if any(rig.names[bone] in graph.cycle for bone in main):
        raise InputError(
            f"armature {armature.name!r}: its constraints form a circle ({', '.join(graph.cycle[:4])}); "
            "mute one of them and try again"
        )
    return (yield from _Search(armature, rig, whole, graph, named).run(parts.get("root", "")))


def _held(armature: bpy.types.Object, graph: BoneGraph, bone: int) -> bool:
    """Whether constraints or drivers move a bone itself, or something that carries it."""
    above = armature.pose.bones[bone]
    while above:
        if not graph.free[graph.names.index(above.name)] and any(holds(one) for one in above.constraints):
            return True
        above = above.parent
    return any(
        holds(one) and one.type == "IK" and bone in _chain(graph, owner, one)
        for owner in armature.pose.bones
        for one in owner.constraints
    )


def _chain(graph: BoneGraph, owner: bpy.types.PoseBone, constraint) -> list[int]:
    chain = [owner, *owner.parent_recursive]
    return [graph.names.index(one.name) for one in chain[: constraint.chain_count or len(chain)]]


class _Search:
    """The search for the controls of one rig."""

    def __init__(
        self,
        armature: bpy.types.Object,
        rig: Rig,
        whole: Rig,
        graph: BoneGraph,
        parts: Mapping[str, str],
    ) -> None:
        self.armature, self.rig, self.whole, self.graph = armature, rig, whole, graph
        place = {name: k for k, name in enumerate(rig.names)}
        mapped = set(parts.values())
        order = [name for name in whole.names if name in mapped]
        self.part_of = {bone: part for part, bone in parts.items()}
        self.names = order
        self.joints = np.array([place[name] for name in order])
        self.above = np.array([self._above(name, order) for name in order])
        pose = armature.pose.bones
        self.shaped = np.array([bone.custom_shape is not None for bone in pose])
        self.hidden = np.array([bone.bone.hide for bone in pose])

    def _above(self, name: str, order: list[str]) -> int:
        """The nearest joint above one in the deforming bones."""
        joint = self.whole.parents[self.whole.names.index(name)]
        while joint >= 0:
            if self.whole.names[joint] in order:
                return order.index(self.whole.names[joint])
            joint = self.whole.parents[joint]
        return -1

    def run(self, root: str) -> Steps[ControlRig]:
        graph = self.graph
        able = graph.free & graph.reach[:, self.joints].any(axis=1)
        mine = np.isin(np.arange(len(able)), self.joints)
        if (able & self.shaped).any():  # who gave shapes to bones gave them to those that are to be keyed
            able &= self.shaped | mine
        free = np.flatnonzero(able)
        main = np.array([not is_free(self.part_of[name]) for name in self.names])
        with bench(self.armature) as rig:
            bones_above = np.where(self.above >= 0, self.joints[self.above], -1)
            switches = yield from choose_switches(rig, graph, free, self.joints[main], bones_above[main])
            found = yield from scan(rig, graph, free)
        chosen = self._assign(found)
        lacking = [k for k in range(len(self.names)) if k not in chosen]
        for k in lacking:
            if main[k]:
                raise InputError(self._refusal(k))
        rows = dict(chosen)
        mover = self._mover(found, rows)
        top = self._root(found, rows, mover, root)
        return self._build(found, rows, mover, top, switches, lacking)

    def _assign(self, found: Scan) -> dict[int, int]:
        """Joint -> the row of its control, for each that has one of its own."""
        count = len(self.names)
        below = np.eye(count, dtype=bool)
        for k in reversed(range(count)):  # parents come before children
            if self.above[k] >= 0:
                below[self.above[k]] |= below[k]
        carried = found.carried[:, self.joints]
        deform = np.flatnonzero(self.rig.deform)
        loose = (found.moved & ~found.carried)[:, deform].sum(axis=1)
        depth = found.rigid[:, found.controls].sum(axis=0)
        ranked: list[tuple[tuple, int, int]] = []
        for k in range(count):
            wanted = [below[k], *(~below[child] for child in range(count) if self.above[child] == k)]
            wanted = [one for one in wanted if one[k]]
            for row in np.flatnonzero(carried[:, k]):
                bone = found.controls[row]
                off = min(int((carried[row] != one).sum()) for one in wanted)
                rank = (
                    off,
                    int(loose[row]),
                    not found.rigid[row, self.joints[k]],
                    not self.shaped[bone],
                    bool(self.rig.deform[bone]),
                    bool(self.hidden[bone]),
                    int(carried[row].sum()),
                    -int(found.carried[row, deform].sum()),
                    # Of equal ones the upper, but not above the hips: there each would carry the whole body.
                    int(depth[row]) * (-1 if carried[row].all() else 1),
                )
                ranked.append((rank, k, int(row)))
        ranked.sort()
        while True:
            out: dict[int, int] = {}
            for _, k, row in ranked:
                if k not in out and row not in out.values():
                    out[k] = row
            astray = {
                (k, row)
                for k, row in out.items()
                if any(
                    carried[other, k] and other != row and not found.rigid[other, found.controls[row]]
                    for other in out.values()
                )
            }
            if not astray:
                return out
            ranked = [one for one in ranked if one[1:] not in astray]

    def _mover(self, found: Scan, rows: Mapping[int, int]) -> int:
        """The row of the control that takes the whole body along and can leave its place."""
        carries_all = found.carried[:, self.joints[list(rows)]].all(axis=1)
        can = [row for row in np.flatnonzero(carries_all) if self._moves(found.controls[row])]
        if not can:
            raise InputError(
                f"armature {self.armature.name!r}: no control carries its whole body; unlock the location of "
                "one, or set the switches of its limbs and head so that they follow it"
            )
        depth = found.rigid[:, found.controls].sum(axis=0)
        return min(can, key=lambda row: (not self.shaped[found.controls[row]], -depth[row]))

    def _root(self, found: Scan, rows: Mapping[int, int], mover: int, name: str) -> int | None:
        """The row of a control that carries even the mover: the root of the character."""
        bone = found.controls[mover]
        able = [row for row in range(len(found.controls)) if found.rigid[row, bone] and row != mover]
        able = [row for row in able if self._moves(found.controls[row]) and row not in rows.values()]
        if name:
            return next((row for row in able if self.rig.names[found.controls[row]] == name), None)
        depth = found.rigid[:, found.controls].sum(axis=0)
        return min(able, key=lambda row: (not self.shaped[found.controls[row]], depth[row]), default=None)

    def _moves(self, bone: int) -> bool:
        pose = self.armature.pose.bones[int(bone)]
        return not (any(pose.lock_location) or self.rig.connected[bone])

    def _build(
        self,
        found: Scan,
        rows: dict[int, int],
        mover: int,
        top: int | None,
        switches: Mapping[Switch, float],
        lacking: list[int],
    ) -> ControlRig:
        joints = [k for k in range(len(self.names)) if k in rows]
        bones = [int(self.joints[k]) for k in joints]
        parents = np.full(len(bones), -1)
        for k, joint in enumerate(joints):
            above = self.above[joint]
            while above >= 0 and above not in rows:
                above = self.above[above]
            parents[k] = joints.index(above) if above >= 0 else -1
        poser = [rows[joint] for joint in joints]
        parts = {self.part_of[self.names[joint]]: self.names[joint] for joint in joints}
        if top is not None:
            parents[parents < 0] = len(bones)
            bones, parents = [*bones, int(found.controls[top])], np.array([*parents, -1])
            poser.append(top)
            parts["root"] = self.rig.names[found.controls[top]]
        plain = ~self.shaped & np.array([not bone.constraints for bone in self.armature.pose.bones])
        rig = chosen_bones(self.rig, bones, parents, plain)
        of_joint = {
            row: rig.names.index(self.rig.names[bone]) for row, bone in zip(poser, bones, strict=True)
        }
        taken = sorted({*poser, mover}, key=lambda row: int(found.rigid[:, found.controls[row]].sum()))
        controls = [
            self._control(found, row, taken[:k], of_joint.get(row, -1)) for k, row in enumerate(taken)
        ]
        at = [self.rig.names.index(name) for name in rig.names]
        mine = {one.bone for one in controls}
        main = [k for k, name in enumerate(self.names) if not is_free(self.part_of[name])]
        move = found.moved[:, self.joints[main]].any(axis=1)
        return ControlRig(
            rig,
            parts,
            tuple(controls),
            quat.from_matrix(found.rest[at, :3, :3]),
            found.rest[at, :3, 3],
            dict(switches),
            frozenset(self.rig.names[bone] for bone in found.controls[move]) - mine,
            tuple(self.part_of[self.names[k]] for k in lacking),
        )

    def _control(self, found: Scan, row: int, before: list[int], joint: int) -> Control:
        bone = int(found.controls[row])
        carriers = [k for k, other in enumerate(before) if found.rigid[other, bone]]
        loose = [k for k, other in enumerate(before) if found.moved[other, bone] and k not in carriers]
        if loose:
            other = self.rig.names[found.controls[before[loose[0]]]]
            raise InputError(
                f"armature {self.armature.name!r}: control {self.rig.names[bone]!r} follows {other!r} by a "
                f"part only ({self._blame(bone)}); set that to 0 or to 1 and try again"
            )
        pose = found.rest[bone]
        return Control(
            self.rig.names[bone],
            joint,
            carriers[-1] if carriers else -1,
            self._moves(bone),
            quat.from_matrix(pose[:3, :3]),
            pose[:3, 3],
            bool(found.carried[row, self.joints].all()),
        )

    def _refusal(self, k: int) -> str:
        name, held_by = self.names[k], self._blame(int(self.joints[k]))
        return (
            f"armature {self.armature.name!r}: no control moves {name!r} ({self.part_of[name]}) by itself: "
            f"it is held by {held_by}; mute that, or map the part to another bone, and try again"
        )

    def _blame(self, bone: int) -> str:
        """The constraint that holds a bone, or what it copies, or what carries it."""
        found = self._holder(bone, {bone})
        if found is None:
            return "a driver"
        owner, constraint = found
        return f"the constraint {constraint.name!r} of {owner.name!r}"

    def _holder(self, bone: int, seen: set[int]) -> tuple[bpy.types.PoseBone, bpy.types.Constraint] | None:
        """The last constraint on the way from a bone over what it copies to what no control moves."""
        pose = self.armature.pose.bones
        for owner in pose:
            for one in owner.constraints:
                if holds(one) and one.type == "IK" and bone in _chain(self.graph, owner, one):
                    return owner, one
        above = pose[bone]
        while above:
            for one in filter(holds, above.constraints):
                for target, name in targets_of(one):
                    source = (
                        self.graph.names.index(name) if target is self.armature and name in pose else bone
                    )
                    if source not in seen:
                        found = self._holder(source, seen | {source})
                        if found:
                            return found
                return above, one
            above = above.parent
        return None
