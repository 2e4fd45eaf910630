"""Chains and colliders of a character's file: the extension VRMC_springBone 1.0 of VRM 1.0.

Source: VRM Consortium, VRMC_springBone 1.0, and its JSON schema. Offsets and radii stay in the axes of the
nodes, in metres as the character stands; gravity's direction is turned from the file's axes to the core's.
A collider may have a plane or an inside by VRMC_springBone_extended_collider 1.0 (its facts as npm
@pixiv/three-vrm-springbone has them); of another version of that its plain shape is taken.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..maths import quat
from ..maths.axes import to_z_up
from ..springs.springs import SpringChain, SpringCollider, SpringJoint, Springs
from .glb_format import Document, Json, entries, indices, numbers, parse
from .glb_place import Place
from .glb_rig import UPRIGHT, GlbRig, parents_of, place_of

_EXTENSION = "VRMC_springBone"
_VERSIONS = ("1.0", "1.0-beta")  # of the same fields
_MORE_SHAPES, _MORE_VERSION = "VRMC_springBone_extended_collider", "1.0"
# What a joint that says nothing has (VRMC_springBone.joint.schema.json, from memory; exporters write all).
_DEFAULTS = {"stiffness": 1.0, "dragForce": 0.5, "gravityPower": 0.0, "hitRadius": 0.0}


def read_springs(glb: bytes, rig: GlbRig, source: str = "GLB") -> Springs:
    """The chains and colliders that a GLB says its character has; none where it has no such extension.

    Args:
        glb: the file.
        rig: what it holds, from `read_rig`.
        source: names it in messages.

    Raises:
        GlbError: the extension is of another version, malformed, or moves nodes that no skin has.
    """
    try:
        document = parse(glb)
        extension = document.json.get("extensions", {})
        found = extension.get(_EXTENSION) if isinstance(extension, dict) else None
        return Springs() if found is None else _Reader(document, rig).springs(found)
    except GlbError as problem:
        raise GlbError(f"{source}: {problem}") from None


class _Reader:
    """Reads the extension of one file."""

    def __init__(self, document: Document, rig: GlbRig) -> None:
        self.nodes = entries(document.json, "nodes")
        self.parents = parents_of(self.nodes)
        self.at = {node: joint for joint, node in enumerate(rig.nodes)}
        self.names = rig.skeleton.names
        self.scale = rig.above.scale
        above = self._world(self.parents[rig.nodes[0]])
        heading = quat.yaw(quat.mul((UPRIGHT @ above).rotation, quat.inv(UPRIGHT.rotation)))
        self.ahead = quat.from_yaw(-heading)  # a skeleton stands without the heading of what carries it

    def springs(self, extension: object) -> Springs:
        """All of it."""
        if not isinstance(extension, dict):
            raise GlbError(f"malformed: {_EXTENSION} is not an object")
        version = extension.get("specVersion")
        if version not in _VERSIONS:
            raise GlbError(f"{_EXTENSION} of version {version!r}: only 1.0 can be read; export it as VRM 1.0")
        colliders = [self._collider(one, k) for k, one in enumerate(entries(extension, "colliders"))]
        groups = [
            [colliders[k].name for k in indices(group, "colliders", len(colliders))]
            for group in entries(extension, "colliderGroups")
        ]
        chains: list[SpringChain] = []
        for number, one in enumerate(entries(extension, "springs")):
            pushed = [name for k in indices(one, "colliderGroups", len(groups)) for name in groups[k]]
            chain = self._chain(one, number, tuple(dict.fromkeys(pushed)))
            if any(chain.name == other.name for other in chains):
                chain = replace(chain, name=f"{chain.name} {number}")
            if chain.joints:
                chains.append(chain)
        return Springs(tuple(chains), tuple(colliders))

    def _collider(self, one: Json, number: int) -> SpringCollider:
        name = f"{_EXTENSION} collider {number}"
        joint, inside = self._carrier(self._node(one, "node", name))
        shape = _shape(one)
        form = shape.get("sphere", shape.get("capsule", shape.get("plane")))
        if not isinstance(form, dict):
            raise GlbError(f"{name} is neither a sphere, a capsule nor a plane")
        radius = _number(form, "radius", 0.0)
        offset = self._point(inside, numbers(form, "offset", (0, 0, 0)))
        if "plane" in shape and not {"sphere", "capsule"} & set(shape):
            normal = quat.rotate(inside.rotation, numbers(form, "normal", (0, 0, 1)))
            return SpringCollider(name, joint, offset, 0.0, normal=normal)
        is_capsule = "capsule" in shape and "sphere" not in shape
        tail = self._point(inside, numbers(form, "tail", (0, 0, 0))) if is_capsule else None
        return SpringCollider(name, joint, offset, radius, tail, form.get("inside") is True)

    def _chain(self, spring: Json, number: int, colliders: tuple[str, ...]) -> SpringChain:
        name = str(spring.get("name") or f"spring {number}")
        listed = entries(spring, "joints")
        nodes = [self._node(one, "node", f"spring {name!r}") for one in listed]
        joints = []
        for one, node, below in zip(listed, nodes, nodes[1:], strict=False):
            if node not in self.at:
                raise GlbError(
                    f"spring {name!r} moves node {self._name(node)!r}, which is no joint of a skin; bind "
                    "what hangs there to joints, or leave the springs of the file out (find = false)"
                )
            path = self._between(node, below, name)
            gravity_dir = numbers(one, "gravityDir", (0, -1, 0))
            joints.append(
                SpringJoint(
                    self.at[node],
                    self._point(path, np.zeros(3)),
                    _number(one, "stiffness"),
                    _number(one, "dragForce"),
                    _number(one, "gravityPower"),
                    quat.rotate(self.ahead, to_z_up(gravity_dir, "Y")),
                    _number(one, "hitRadius"),
                )
            )
        center = self._node(spring, "center", f"spring {name!r}") if "center" in spring else -1
        while center >= 0 and center not in self.at:
            center = self.parents[center]
        return SpringChain(name, tuple(joints), colliders, self.at.get(center))

    def _between(self, node: int, below: int, name: str) -> Place:
        """A node below another one as it rests, seen from that one."""
        place = place_of(self.nodes[below])
        while (below := self.parents[below]) != node:
            if below < 0:
                raise GlbError(
                    f"spring {name!r} goes on at a node that does not hang below {self._name(node)!r}; a "
                    "branch is a spring of its own"
                )
            place = place_of(self.nodes[below]) @ place
        return place

    def _carrier(self, node: int) -> tuple[int, Place]:
        """The joint that carries a node, and where the node rests on it."""
        place = Place(quat.IDENTITY, np.zeros(3))
        while node not in self.at:
            place = place_of(self.nodes[node]) @ place
            node = self.parents[node]
            if node < 0:
                raise GlbError(f"a collider of {_EXTENSION} is carried by no joint; put it on one")
        return self.at[node], place

    def _world(self, node: int) -> Place:
        """Where a node rests in the file; -1 stands for the file itself."""
        place = Place(quat.IDENTITY, np.zeros(3))
        while node >= 0:
            place, node = place_of(self.nodes[node]) @ place, self.parents[node]
        return place

    def _point(self, place: Place, point: Array) -> Array:
        """A point in the axes of the joint that carries it, metres."""
        return np.asarray(self.scale * place.apply(point))

    def _node(self, one: Json, key: str, who: str) -> int:
        value = one.get(key)
        if type(value) is not int or not 0 <= value < len(self.nodes):
            raise GlbError(f"malformed: {who} names no node of the file")
        return value

    def _name(self, node: int) -> str:
        return str(self.nodes[node].get("name", f"number {node}"))


def _shape(one: Json) -> Json:
    """The shape of a collider: the extended one, where it has one of a version that is known."""
    extensions = one.get("extensions")
    more = extensions.get(_MORE_SHAPES) if isinstance(extensions, dict) else None
    known = isinstance(more, dict) and more.get("specVersion") == _MORE_VERSION
    if isinstance(more, dict) and known and isinstance(shape := more.get("shape"), dict):
        return shape
    plain = one.get("shape")
    forms = plain.items() if isinstance(plain, dict) else ()
    return {
        key: {**form, "inside": False} for key, form in forms if key != "plane" and isinstance(form, dict)
    }


def _number(one: Json, key: str, default: float | None = None) -> float:
    value = one.get(key, _DEFAULTS.get(key) if default is None else default)
    if type(value) not in (int, float) or not abs(float(str(value))) < 1e300:
        raise GlbError(f"malformed: {key!r} of {_EXTENSION} is not a number")
    return float(str(value))
