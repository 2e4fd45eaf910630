"""The skeleton of a character's GLB, and how clips go onto it.

Joints are those of the file's skins and what hangs between them. Nodes above the topmost joints may turn,
move and scale the character as a whole: the skeleton is what stands on the floor as the character sees it,
Z-up and in metres, and clips made for it are brought back below those nodes.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..base.errors import GlbError
from ..base.plain import is_name
from ..body.skeleton import Skeleton
from ..maths import quat
from .glb import GlbClip
from .glb_axes import Y_UP, skeleton_in_gltf
from .glb_format import Document, Json, entries, indices, numbers, parse
from .glb_place import Place
from .glb_tips import soles_of, tips_of

_WXYZ = [3, 0, 1, 2]  # our order of a quaternion, from glTF's
# A smaller scale makes a bone flat; scales that differ by more turn a rotation into a skew (chosen by eye).
_MIN_SCALE, _MAX_SKEW = 1e-6, 1e-3
_MAX_LENGTH_OFF = 0.1  # a rotation's length, which is 1: some exporters round coarsely
MAX_JOINTS = 4096  # as of a BVH file
_MAX_DISTANCE_M = 1e6  # that a joint may rest; also what a skeleton may be enlarged by, or made smaller


UPRIGHT = Place(quat.inv(Y_UP), np.zeros(3))
"""From glTF's axes to the core's."""


@dataclass(frozen=True)
class GlbRig:
    """What a GLB holds of a skeleton.

    Attributes:
        nodes: (J,) the file's nodes that are joints, parents first.
        skeleton: the joints at rest, standing on the floor, Z-up, metres.
        above: where the topmost joints hang, in the core's axes; place on the floor and heading left out.
    """

    nodes: tuple[int, ...]
    skeleton: Skeleton
    above: Place

    @property
    def _back(self) -> Place:
        """From the skeleton's space to the topmost joints', in the core's axes."""
        return UPRIGHT @ self.above.inverse

    @cached_property
    def in_file(self) -> Skeleton:
        """The same joints as the file's nodes say: below what is above them, in its unit and axes."""
        back, whole = self._back, self.skeleton
        places, turns = whole.rest_translation * back.scale, whole.rest_rotation.copy()
        for joint, parent in enumerate(whole.parents):
            if parent < 0:
                place = back @ Place(turns[joint], whole.rest_translation[joint])
                turns[joint], places[joint] = place.rotation, place.translation
        return skeleton_in_gltf(Skeleton(whole.names, whole.parents, places, turns))

    def placed(self, clip: GlbClip) -> GlbClip:
        """A clip made for `skeleton`, as the file's joints must play it."""
        return clip.placed(self._back, self.in_file)


def read_rig(glb: bytes, source: str) -> GlbRig:
    """The rig of a GLB; `source` names it in messages.

    Raises:
        GlbError: it is malformed, has no skin, joints without names or with one name, joints that are scaled
            unlike the rest, or topmost joints in several places.
    """
    try:
        with np.errstate(over="ignore", invalid="ignore"):  # what comes of that lies too far away
            return _read(parse(glb))
    except GlbError as problem:
        raise GlbError(f"{source}: {problem}") from None


def _read(document: Document) -> GlbRig:
    nodes = entries(document.json, "nodes")
    parents = parents_of(nodes)
    joints = _joints(document.json, nodes, parents)
    local = {node: place_of(nodes[node]) for node in joints}
    tops = [node for node in joints if parents[node] not in local]
    above = [_world(nodes, parents, parents[node]) for node in tops]
    for other in above[1:]:
        apart = above[0].inverse @ other
        gap = np.abs(np.concatenate([apart.translation, apart.rotation[1:], [apart.scale - 1]])).max()
        if gap > _MAX_SKEW:
            raise GlbError("its topmost joints hang in several places; one object must carry the skeleton")
    frame = _standing(UPRIGHT @ above[0])
    for node in joints:
        if abs(local[node].scale - 1) > _MAX_SKEW:
            raise GlbError(
                f"joint {_name(nodes[node])!r} is scaled by {local[node].scale:.4g}; apply its scale first"
            )
    names = [_name(nodes[node]) for node in joints]
    counts = Counter(names)
    bad = next((name for name in names if not name or counts[name] > 1), None)
    if bad is not None:
        raise GlbError(
            f"two joints are called {bad!r}; joints need names of their own" if bad else "a joint has no name"
        )
    odd = next((name for name in names if not is_name(name)), None)
    if odd is not None:
        raise GlbError(f"joint name {odd!r} holds a control character; rename the joint")
    at = {node: joint for joint, node in enumerate(joints)}
    places = [frame @ local[node] if node in tops else local[node] for node in joints]
    size = np.array([1.0 if node in tops else frame.scale for node in joints])
    hangs = tuple(at.get(parents[node], -1) for node in joints)
    rest_places: list[Place] = []
    for node, parent in zip(joints, hangs, strict=True):
        rest_places.append((rest_places[parent] if parent >= 0 else frame) @ local[node])
    _expect_near(names, rest_places, frame)
    tip_joints, tip_offsets = tips_of(document, joints, hangs, rest_places)
    soles = soles_of(document, joints, rest_places)
    return GlbRig(
        tuple(joints),
        Skeleton(
            tuple(names),
            hangs,
            size[:, None] * [place.translation for place in places],
            np.array([place.rotation for place in places]),
            tip_joints,
            tip_offsets,
            sole_joints=soles.joints,
            sole_points=soles.points,
            sole_vertices=soles.vertices,
            sole_weights=soles.weights,
        ),
        frame,
    )


def _expect_near(names: list[str], rest_places: list[Place], frame: Place) -> None:
    if not 1 / _MAX_DISTANCE_M < frame.scale < _MAX_DISTANCE_M:
        raise GlbError(f"what carries the skeleton is scaled by {frame.scale:.4g}; apply its scale first")
    for name, stand in zip(names, rest_places, strict=True):
        away = float(np.abs(stand.translation).max())
        if not away < _MAX_DISTANCE_M:
            raise GlbError(f"joint {name!r} rests {away:.4g} m away; move it to the others")


def _name(node: Json) -> str:
    return str(node.get("name", ""))


def parents_of(nodes: list[Json]) -> list[int]:
    """The parent of each node, -1 for those at the top.

    Raises:
        GlbError: a node has two parents, or hangs below itself.
    """
    parents = [-1] * len(nodes)
    for parent, node in enumerate(nodes):
        for child in indices(node, "children", len(nodes)):
            if parents[child] >= 0:
                raise GlbError(f"malformed: node {child} hangs below two others")
            parents[child] = parent
    found = [one for one, parent in enumerate(parents) if parent < 0]
    for one in found:
        found += indices(nodes[one], "children", len(nodes))
    if len(found) < len(nodes):
        raise GlbError("malformed: a node hangs below itself")
    return parents


def _joints(document: Json, nodes: list[Json], parents: list[int]) -> list[int]:
    """The joints of all skins and the nodes that hang between them: each with all below it, then the next."""
    count = len(nodes)
    named = {node for skin in entries(document, "skins") for node in indices(skin, "joints", count)}
    if not named:
        raise GlbError("there is no skin in it, so no character; export rig and mesh together")
    children = [indices(node, "children", count) for node in nodes]
    order = [node for node, parent in enumerate(parents) if parent < 0]
    for node in order:  # parents come first
        order += children[node]
    under, over = set(named), set(named)  # joints and what hangs below one, or above one
    for node in order:
        if parents[node] in under:
            under.add(node)
    for node in reversed(order):
        if node in over and parents[node] >= 0:
            over.add(parents[node])
    wanted = under & over
    if len(wanted) > MAX_JOINTS:
        raise GlbError(f"{len(wanted)} joints; at most {MAX_JOINTS} can be read: is this one character?")
    found: list[int] = []
    stack = sorted((node for node in wanted if parents[node] not in wanted), reverse=True)
    while stack:
        node = stack.pop()
        found.append(node)
        stack += reversed([child for child in children[node] if child in wanted])
    return found


def _standing(place: Place) -> Place:
    """The same tilt, size and height over the middle of the floor, without a heading."""
    heading = quat.yaw(quat.mul(place.rotation, quat.inv(UPRIGHT.rotation)))
    turned = quat.mul(quat.from_yaw(-heading), place.rotation)
    return Place(turned, place.translation * [0.0, 0.0, 1.0], place.scale)


def _world(nodes: list[Json], parents: list[int], node: int) -> Place:
    place = Place(quat.IDENTITY, np.zeros(3))
    while node >= 0:
        place, node = place_of(nodes[node]) @ place, parents[node]
    return place


def place_of(node: Json) -> Place:
    """A node's own transform.

    Raises:
        GlbError: it is flat, mirrored, sheared, scaled by several factors, or has no direction.
    """
    if "matrix" in node:
        matrix = numbers(node, "matrix", np.eye(4).ravel()).reshape(4, 4).T
        turn, scale, moved = matrix[:3, :3], np.linalg.norm(matrix[:3, :3], axis=0), matrix[:3, 3]
        scale = scale * (1 if np.linalg.det(turn) > 0 else -1)
        if not np.allclose((turn / np.where(scale == 0, 1, scale)) @ turn.T, np.diag(scale), atol=_MAX_SKEW):
            raise GlbError(f"node {_name(node)!r} is sheared; apply its transform first")
        rotation = quat.from_matrix(turn / np.where(scale == 0, 1, scale))
    else:
        scale, moved = numbers(node, "scale", (1, 1, 1)), numbers(node, "translation", (0, 0, 0))
        rotation = numbers(node, "rotation", (0, 0, 0, 1))[_WXYZ]
    if not _MAX_LENGTH_OFF < float(np.linalg.norm(rotation)) < 1 / _MAX_LENGTH_OFF:
        raise GlbError(f"the rotation of node {_name(node)!r} is no unit quaternion; export it again")
    if not (scale.min() > _MIN_SCALE and np.ptp(scale) <= _MAX_SKEW * scale.max()):
        raise GlbError(f"node {_name(node)!r} is not scaled alike along all axes; apply its scale first")
    return Place(quat.normalize(rotation), moved, float(scale.mean()))
