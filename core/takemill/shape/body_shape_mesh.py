"""Capsules around the vertices of a mesh at rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton
from ..maths import quat
from .body_shape_outline import DIRECTIONS, WAYS, solid_outline
from .body_shape_slices import MIN_POINTS, SLICE, Found, flat, slices, stack, stadium
from .capsules import TRUNK, Capsules
from .skin import Skin

# Of the leg's length. Chosen on the tests' meshes: the capsules' surface lies within 12 mm of them.
_SPACING = 0.025  # of points laid on faces
_MIN_RADIUS = 0.004
_MIN_KNOWN_SHARE = 0.6  # of an outline's directions: with fewer the points alone count
_UNKNOWN_REACH = 1.25  # times the widest slice that is known: what reaches further is worn
_WORN_OVER = 0.015  # of the leg: as far out of the body, but under what is worn, arms lie under a cape
# Parts that are stacks of slices as the trunk is, and limbs; all others are slabs.
_STACKS = ("neck", "head")
_LIMBS = {"UpperArm": "LowerArm", "LowerArm": "Hand", "UpperLeg": "LowerLeg", "LowerLeg": "Foot"}
_ARMS = ("UpperArm", "LowerArm", "Hand")
_LIMB_SECTIONS = 3
_ROUND = 0.2  # of the radius: a flat circle with a shorter segment is taken as round


@dataclass(frozen=True)
class _Mesh:
    """A skin by parts of the body.

    Attributes:
        points: (N, 3) vertices and points on faces.
        parts: names of parts, "" among them.
        strongest: (N,) the part that each point hangs on most, -1 for none.
        share: (N, P) how much it hangs on each.
        corners: (T, 3, 3) the triangles.
        face_part: (T,) the part of each triangle's first corner.
        size: the leg's length.
    """

    points: Array
    parts: list[str]
    strongest: Index
    share: Array
    corners: Array
    face_part: Index
    size: float

    def of(self, *parts: str) -> Mask:
        """The points (N,) of some parts."""
        return np.isin(self.strongest, [self.parts.index(part) for part in parts if part in self.parts])

    def faces_of(self, *parts: str) -> Array:
        """The triangles (T, 3, 3) of some parts."""
        chosen = [self.parts.index(part) for part in parts if part in self.parts]
        return self.corners[np.isin(self.face_part, chosen)]


def shape_of_mesh(skeleton: Skeleton, body: BodyMap, skin: Skin) -> Capsules:
    """The capsules of all parts that the mesh shows; a vertex is the part's that it hangs on most.

    What hangs on joints without a part is the next part's above them; tails and props, and what hangs on
    them, have none. What is worn over trunk and thighs counts as they do, unless the arms rest under it.
    """
    mesh = _by_parts(skeleton, body, skin)
    at = skeleton.rest_model[1]
    found = _trunk(body, at, mesh)
    for part in mesh.parts:
        mine = mesh.of(part)
        if part in ("", *TRUNK) or part.endswith("Shoulder") or mine.sum() < MIN_POINTS:
            continue
        joint, stem = body.require(part), part.removeprefix("left").removeprefix("right")
        if stem in _LIMBS:
            end = body.get(part.replace(stem, _LIMBS[stem]))
            found += _limb(part, joint, mesh, at[joint], None if end is None else at[end])
        elif stem in _STACKS:
            found += stack(part, joint, mesh.points[mine], at[joint], at, skeleton, mesh.size)
        else:
            found += _slab(part, joint, mesh.points[mine], at[joint], mesh.size)
    return _as_capsules(skeleton, found, _MIN_RADIUS * mesh.size)


def _by_parts(skeleton: Skeleton, body: BodyMap, skin: Skin) -> _Mesh:
    size = leg_length(skeleton, body)
    points, joints, weights = skin.filled(_SPACING * size)
    names, owner = _parts_of_joints(skeleton, body)
    share = np.zeros((len(points), len(names)))
    for k in range(joints.shape[1]):
        np.add.at(share, (np.arange(len(points)), owner[joints[:, k]]), weights[:, k])
    strongest = np.where(share.max(axis=1) > 0, share.argmax(axis=1), -1)
    return _Mesh(
        points,
        names,
        strongest,
        share,
        skin.points[skin.triangles],
        strongest[skin.triangles[:, 0]],  # the vertices stand first among the points
        size,
    )


def _parts_of_joints(skeleton: Skeleton, body: BodyMap) -> tuple[list[str], Index]:
    """Names of parts, "" among them, and for each joint (J,) which of them it belongs to."""
    names = ["", *body.joints]
    mapped = {joint: part for part, joint in body.joints.items()}
    owner = np.zeros(len(skeleton), np.intp)
    for joint, parent in enumerate(skeleton.parents):
        part = mapped.get(joint)
        if part is None:
            owner[joint] = owner[parent] if parent >= 0 else 0
        elif part != "root" and not part.startswith(("tail.", "prop.")):
            owner[joint] = names.index(part)
    return names, owner


def _trunk(body: BodyMap, at: Array, mesh: _Mesh) -> list[Found]:
    """Slices along the line from the hip joints to where the arms leave."""
    parts = [part for part in TRUNK if part in mesh.parts]
    worn = (*parts, *(f"{side}Shoulder" for side in SIDES))
    mine = mesh.of(*worn)
    points = mesh.points[mine]
    if len(points) < MIN_POINTS or not parts:
        return []
    share = mesh.share[mine][:, [mesh.parts.index(part) for part in parts]]
    hips = np.mean([at[body.require(f"{side}UpperLeg")] for side in SIDES], axis=0)
    across = at[body.require("leftUpperLeg")] - at[body.require("rightUpperLeg")]
    tops = [at[joint] for side in SIDES if (joint := body.get(f"{side}UpperArm")) is not None]
    top = np.mean(tops, axis=0) if len(tops) == 2 else at[body.require(parts[-1])]
    along = top - hips
    if np.linalg.norm(along) < 0.05 * mesh.size:
        along = np.cross(across, np.array([0.0, 1.0, 0.0]))
    along = along / np.linalg.norm(along)
    u = across - (across @ along) * along
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    arms = mesh.points[mesh.of(*(side + part for side in SIDES for part in _ARMS))]
    rows = []
    for middle, inside in slices(points, along, mesh.size):
        origin = hips + (middle - hips @ along) * along
        solid = _solid(mesh.faces_of(*worn), origin, u, v)
        near = arms[np.abs(arms @ along - middle) < SLICE * mesh.size]
        off = points[inside] - origin
        outer = np.stack([off @ u, off @ v], axis=-1)
        under = _rests_under(near - origin, u, v, outer, solid, mesh.size)
        rows.append((origin, share[inside], outer, solid, under))
    bare = any(row[-1] for row in rows)
    widest = max((np.abs(solid).max() for *_, solid, _ in rows if solid is not None), default=0.0)
    found = []
    for origin, weight, outer, solid, _ in rows:
        if bare and solid is None and np.abs(outer).max() > _UNKNOWN_REACH * widest:
            continue  # a cape alone
        part = parts[int(weight.sum(axis=0).argmax())]
        outline = solid if bare and solid is not None else outer
        found.append(flat(part, body.require(part), outline, origin, u, v))
    return found


def _solid(corners: Array, origin: Array, u: Array, v: Array) -> Array | None:
    """The outline (W, 2) of what is solid about a point; None where the faces do not show it."""
    reach = solid_outline(corners, origin, u, v)
    known = ~np.isnan(reach)
    return reach[known, None] * DIRECTIONS[known] if known.mean() >= _MIN_KNOWN_SHARE else None


def _rests_under(near: Array, u: Array, v: Array, outer: Array, solid: Array | None, size: float) -> bool:
    """Whether points of arms (N, 3) about a slice's middle rest under what is worn, outside of the body."""
    if solid is None or not len(near):
        return False
    flat = np.stack([near @ u, near @ v], axis=-1)
    way = (flat @ DIRECTIONS.T).argmax(axis=1)
    worn, body = ((one @ DIRECTIONS.T).max(axis=0) for one in (outer, solid))
    reach = (flat @ DIRECTIONS.T).max(axis=1)
    gap = _WORN_OVER * size
    return bool(((reach < worn[way] - gap) & (reach > body[way] + gap)).mean() > 1 / WAYS)


def _limb(part: str, joint: int, mesh: _Mesh, start: Array, end: Array | None) -> list[Found]:
    """Capsules one after the other, from a joint to the next."""
    points, faces = mesh.points[mesh.of(part)], mesh.faces_of(part)
    away = (points.mean(axis=0) if end is None else end) - start
    length = float(np.linalg.norm(away))
    if length < 0.01 * mesh.size:
        return []
    along = away / length
    u = np.cross(along, np.eye(3)[int(np.abs(along).argmin())])
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    off = points - start
    places = np.clip(off @ along / (length if end is not None else float((off @ along).max())), 0.0, 1.0)
    worn = part.endswith("Leg")  # skirts count as thighs, wide sleeves not as arms
    found = []
    for k in range(_LIMB_SECTIONS):
        low, high = k / _LIMB_SECTIONS, (k + 1) / _LIMB_SECTIONS
        mine = (places >= low - 1e-9) & (places <= high + 1e-9)
        outline = None if worn else _solid(faces, start + (low + high) / 2 * length * along, u, v)
        if outline is None and mine.sum() < MIN_POINTS:
            continue
        outline = np.stack([off[mine] @ u, off[mine] @ v], axis=-1) if outline is None else outline
        centre, ends, radius = stadium(outline)
        for step in centre + _beside(ends, radius):
            aside = start + step[0] * u + step[1] * v
            found.append(
                Found(part, joint, aside + low * length * along, aside + high * length * along, radius)
            )
    return found


def _beside(ends: Array, radius: float) -> Array:
    """Places (N, 2) of circles side by side that fill a flat one; one, where its segment is short."""
    half = float(np.abs(ends).max())
    count = int(np.ceil(half / radius)) + 1 if half > _ROUND * radius else 1
    return np.linspace(-1.0, 1.0, count)[:, None] * ends if count > 1 else np.zeros((1, 2))


def _slab(part: str, joint: int, points: Array, start: Array, size: float) -> list[Found]:
    """Capsules side by side, along what is longest, as thick as the points lie."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    along = axes[0] * (1.0 if axes[0] @ (middle - start) >= 0 else -1.0)
    off = points - middle
    centre, ends, radius = stadium(np.stack([off @ axes[1], off @ axes[2]], axis=-1))
    radius = max(radius, _MIN_RADIUS * size)
    place = off @ along
    low, high = float(place.min()) + radius, float(place.max()) - radius
    low, high = (low, high) if low < high else ((low + high) / 2,) * 2
    found = []
    for step in centre + _beside(ends, radius):
        base = middle + step[0] * axes[1] + step[1] * axes[2]
        found.append(Found(part, joint, base + low * along, base + high * along, radius))
    return found


def _as_capsules(skeleton: Skeleton, found: list[Found], least: float) -> Capsules:
    """The same in the joints' own space."""
    rotations, positions = skeleton.rest_model
    joints = np.array([one.joint for one in found], np.intp)
    back, at = quat.inv(rotations[joints]), positions[joints]
    a, b = (np.array([getattr(one, end) for one in found]).reshape(-1, 3) for end in ("a", "b"))
    return Capsules(
        tuple(one.part for one in found),
        tuple(one.joint for one in found),
        quat.rotate(back, a - at),
        quat.rotate(back, b - at),
        np.maximum([one.radius for one in found], least),
        (True,) * len(found),
    )
