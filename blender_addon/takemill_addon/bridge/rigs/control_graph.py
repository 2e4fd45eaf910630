"""What of a rig can move what: a graph of its bones, read from parents, constraints and drivers.

It says what has to be tried, not what happens; that is found by evaluating the rig (`control_scan.py`).
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from typing import NamedTuple

import bpy
import numpy as np

from takemill.base.checks import Mask

_BONE_PROPERTY = re.compile(r'pose\.bones\["((?:[^"\\]|\\.)*)"\]\["((?:[^"\\]|\\.)*)"\]$')
_BONE = re.compile(r'pose\.bones\["((?:[^"\\]|\\.)*)"\]')
_INFLUENCE = re.compile(r'pose\.bones\["((?:[^"\\]|\\.)*)"\]\.constraints\["((?:[^"\\]|\\.)*)"\]\.influence$')
_TRANSFORM = re.compile(r'pose\.bones\["(?:[^"\\]|\\.)*"\]\.(location|rotation_\w+|scale)$')
_LIMITS = ("LIMIT_ROTATION", "LIMIT_LOCATION", "LIMIT_SCALE", "LIMIT_DISTANCE")
"""Constraints that leave a bone free within bounds."""


class Switch(NamedTuple):
    """A property of a pose bone between 0 and 1 that the influence of constraints depends on."""

    bone: str
    key: str

    @property
    def path(self) -> str:
        """Where an F-curve finds it."""
        bone, key = (bpy.utils.escape_identifier(one) for one in self)
        return f'pose.bones["{bone}"]["{key}"]'


@dataclass(frozen=True)
class BoneGraph:
    """The N bones of an armature, in their order.

    Attributes:
        names: (N,) of the bones.
        reach: (N, N) whether the first can move the second; each reaches itself.
        free: (N,) what its parent and its own channels alone move, with switches set so; it can be turned.
        switches: each with the bones whose constraints depend on it.
        foreign: other objects stand between some bones, so that the graph may lack edges.
        cycle: bones that depend on each other in a circle; empty where none do.
    """

    names: tuple[str, ...]
    reach: Mask
    free: Mask
    switches: dict[Switch, tuple[int, ...]]
    foreign: bool
    cycle: tuple[str, ...]


def holds(constraint: bpy.types.Constraint) -> bool:
    """Whether a constraint takes a bone out of the hands of its own channels."""
    return not constraint.mute and constraint.influence > 0 and constraint.type not in _LIMITS


def read_graph(armature: bpy.types.Object) -> BoneGraph:
    """The graph of an armature's bones as they are now."""
    pose = armature.pose.bones
    names = tuple(bone.name for bone in pose)
    place = {name: index for index, name in enumerate(names)}
    edges, foreign = _hard_edges(armature, place)
    cycle = _cycle(edges, names)  # a driver that reads a property closes no circle
    driven, switched = set[int](), set[tuple[int, str]]()
    switches: dict[Switch, set[int]] = {}
    data = armature.animation_data
    for curve in data.drivers if data else ():
        owner = _bone_in(_BONE, curve.data_path, place)
        if owner is None or not curve.is_valid:
            continue
        if _TRANSFORM.match(curve.data_path):
            driven.add(owner)
        influence = _INFLUENCE.match(curve.data_path)
        for source, switch in _sources(armature, curve, place):
            edges[source].add(owner)
            if switch and influence:
                switches.setdefault(switch, set()).add(owner)
                switched.add((owner, bpy.utils.unescape_identifier(influence[2])))
    free = np.array(
        [
            index not in driven
            and not any(holds(one) and (index, one.name) not in switched for one in bone.constraints)
            and not (all(bone.lock_rotation) and (bone.lock_rotation_w or not bone.lock_rotations_4d))
            for index, bone in enumerate(pose)
        ]
    )
    reach = np.array([_reached(edges, start) for start in range(len(names))])
    owners = {switch: tuple(sorted(bones)) for switch, bones in switches.items()}
    return BoneGraph(names, reach, free, owners, foreign, cycle)


def _hard_edges(armature: bpy.types.Object, place: dict[str, int]) -> tuple[list[set[int]], bool]:
    """Which bones each moves as parent and target, and whether other objects stand between some."""
    edges: list[set[int]] = [set() for _ in place]
    foreign = False
    for index, bone in enumerate(armature.pose.bones):
        if bone.parent:
            edges[place[bone.parent.name]].add(index)
        for constraint in bone.constraints:
            if constraint.mute:
                continue
            for target, subtarget in targets_of(constraint):
                if target is not armature:
                    foreign = True
                elif subtarget in place:
                    edges[place[subtarget]] |= {place[one.name] for one in _held(constraint, bone)}
    return edges, foreign


def targets_of(constraint: bpy.types.Constraint) -> Iterator[tuple[bpy.types.Object | None, str]]:
    """The objects and bones that a constraint looks at."""
    for one in getattr(constraint, "targets", ()):
        if one.target:
            yield one.target, one.subtarget
    for word in ("", "pole_"):
        target = getattr(constraint, word + "target", None)
        if target:
            yield target, getattr(constraint, word + "subtarget", "")


def _held(constraint: bpy.types.Constraint, bone: bpy.types.PoseBone) -> list[bpy.types.PoseBone]:
    """The bones that a constraint moves: its own, and for inverse kinematics those of its chain."""
    if constraint.type not in ("IK", "SPLINE_IK"):
        return [bone]
    chain = [bone, *bone.parent_recursive]
    return chain[: constraint.chain_count or len(chain)]


def _sources(
    armature: bpy.types.Object, curve: bpy.types.FCurve, place: dict[str, int]
) -> Iterator[tuple[int, Switch | None]]:
    """The bones that a driver reads, and the property where it reads one between 0 and 1."""
    for variable in curve.driver.variables:
        for target in variable.targets:
            if target.id is not armature:
                continue
            if variable.type != "SINGLE_PROP":
                if target.bone_target in place:
                    yield place[target.bone_target], None
                continue
            bone = _bone_in(_BONE, target.data_path, place)
            if bone is None:
                continue
            found = _BONE_PROPERTY.match(target.data_path)
            switch = Switch(*map(bpy.utils.unescape_identifier, found.groups())) if found else None
            yield bone, switch if switch and _is_share(armature.pose.bones[switch.bone], switch.key) else None


def _is_share(bone: bpy.types.PoseBone, key: str) -> bool:
    """Whether a property goes from 0 to 1."""
    value = bone.get(key)
    if not isinstance(value, (float, int, bool)):
        return False
    if isinstance(value, bool):
        return True
    said = bone.id_properties_ui(key).as_dict()  # type: ignore[func-returns-value]
    return said.get("min") == 0 and said.get("max") == 1


def _bone_in(pattern: re.Pattern[str], path: str, place: dict[str, int]) -> int | None:
    found = pattern.match(path)
    return place.get(bpy.utils.unescape_identifier(found[1])) if found else None


def _reached(edges: list[set[int]], start: int) -> Mask:
    seen = np.zeros(len(edges), bool)
    seen[start] = True
    waiting = [start]
    while waiting:
        for one in edges[waiting.pop()]:
            if not seen[one]:
                seen[one] = True
                waiting.append(one)
    return seen


def _cycle(edges: list[set[int]], names: tuple[str, ...]) -> tuple[str, ...]:
    """Some bones that depend on each other in a circle: what is left when all others are taken away."""
    left = set(range(len(edges)))
    while True:
        ends = {one for one in left if not edges[one] & left}
        if not ends:
            break
        left -= ends
    while True:  # and those that only lead into the circle
        carried = set().union(*(edges[one] & left for one in left)) if left else set()
        if carried == left:
            return tuple(names[one] for one in sorted(left))
        left = carried
