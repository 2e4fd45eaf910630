"""Capsules around the vertices of a mesh at rest."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton
from ..maths import quat
from .capsules import TRUNK, Capsules
from .skin import Skin

# Of the leg's length. Chosen on the tests' meshes: the capsules' surface lies within 12 mm of them.
_SPACING = 0.025  # of points laid on faces
_SLICE = 0.06  # from one slice of the trunk to the next
_MIN_RADIUS = 0.004
_WAYS = 24  # directions in which the outline of a slice is looked for
_MIN_POINTS = 4  # fewer do not show a shape
# Parts that are stacks of slices as the trunk is, and limbs; all others are slabs.
_STACKS = ("neck", "head")
_LIMBS = {"UpperArm": "LowerArm", "LowerArm": "Hand", "UpperLeg": "LowerLeg", "LowerLeg": "Foot"}
_LIMB_SECTIONS = 3
_ROUND = 0.2  # of the radius: a flat circle with a shorter segment is taken as round


@dataclass(frozen=True)
class _Found:
    """A capsule in model space at rest."""

    part: str
    joint: int
    a: Array
    b: Array
    radius: float


def shape_of_mesh(skeleton: Skeleton, body: BodyMap, skin: Skin) -> Capsules:
    """The capsules of all parts that the mesh shows; a vertex is the part's that it hangs on most.

    What hangs on joints without a part is the next part's above them; tails and props, and what hangs on
    them, have none.
    """
    size = leg_length(skeleton, body)
    points, joints, weights = skin.filled(_SPACING * size)
    names, owner = _parts_of_joints(skeleton, body)
    share = np.zeros((len(points), len(names)))
    for k in range(joints.shape[1]):
        np.add.at(share, (np.arange(len(points)), owner[joints[:, k]]), weights[:, k])
    strongest = share.argmax(axis=1)
    held = share.max(axis=1) > 0
    trunk = [names.index(part) for part in TRUNK if part in names]
    shoulders = [names.index(part) for side in SIDES if (part := f"{side}Shoulder") in names]
    at = skeleton.rest_model[1]
    found: list[_Found] = []
    mine = held & np.isin(strongest, [*trunk, *shoulders])
    found += _trunk(body, at, points[mine], share[mine][:, trunk], [names[k] for k in trunk], size)
    for place, part in enumerate(names):
        mine = held & (strongest == place)
        if part in ("", "hips", *TRUNK) or part.endswith("Shoulder") or mine.sum() < _MIN_POINTS:
            continue
        joint, stem = body.require(part), part.removeprefix("left").removeprefix("right")
        if stem in _LIMBS:
            end = body.get(part.replace(stem, _LIMBS[stem]))
            found += _limb(part, joint, points[mine], at[joint], None if end is None else at[end], size)
        elif stem in _STACKS:
            found += _stack(part, joint, points[mine], at[joint], at, skeleton, size)
        else:
            found += _slab(part, joint, points[mine], at[joint], size)
    return _as_capsules(skeleton, found, _MIN_RADIUS * size)


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


def _trunk(
    body: BodyMap, at: Array, points: Array, share: Array, parts: list[str], size: float
) -> list[_Found]:
    """Slices along the line from the hip joints to where the arms leave."""
    if len(points) < _MIN_POINTS or not parts:
        return []
    hips = np.mean([at[body.require(f"{side}UpperLeg")] for side in SIDES], axis=0)
    across = at[body.require("leftUpperLeg")] - at[body.require("rightUpperLeg")]
    tops = [at[joint] for side in SIDES if (joint := body.get(f"{side}UpperArm")) is not None]
    top = np.mean(tops, axis=0) if len(tops) == 2 else at[body.require(parts[-1])]
    along = top - hips
    if np.linalg.norm(along) < 0.05 * size:
        along = np.cross(across, np.array([0.0, 1.0, 0.0]))
    height, slices = _slices(points, along / np.linalg.norm(along), size)
    found = []
    for middle, mine in slices:
        part = parts[int(share[mine].sum(axis=0).argmax())]
        found.append(_flat(part, body.require(part), points[mine], height, middle, across))
    return found


def _slices(points: Array, along: Array, size: float) -> tuple[Array, list[tuple[float, Mask]]]:
    """The direction, and (middle, which points) of slices that leave no gap."""
    heights = points @ along
    low, high = float(heights.min()), float(heights.max())
    count = max(int(np.ceil((high - low) / (_SLICE * size))), 1)
    thick = (high - low) / count
    out = []
    for k in range(count):
        middle = low + (k + 0.5) * thick
        mine = np.abs(heights - middle) <= 0.5 * thick + 1e-9
        if mine.sum() >= _MIN_POINTS:
            out.append((middle, mine))
    return along, out


def _flat(part: str, joint: int, points: Array, along: Array, middle: float, across: Array) -> _Found:
    """One capsule from side to side around a slice, at its middle height."""
    u = across - (across @ along) * along
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    centre, ends, radius = _stadium(points @ u, points @ v)
    base = middle * along
    a, b = (base + x * u + y * v for x, y in (centre + ends, centre - ends))
    return _Found(part, joint, a, b, radius)


def _stadium(x: Array, y: Array) -> tuple[Array, Array, float]:
    """A flat circle around points (N,), (N,): its centre (2,), half its segment (2,), and its radius.

    It lies as far outside the points where it is furthest as inside where it is nearest.
    """
    turns = 2 * np.pi * np.arange(_WAYS) / _WAYS
    ways = np.stack([np.cos(turns), np.sin(turns)])
    spread = np.stack([x, y], axis=-1) @ ways
    outline = np.stack([x, y], axis=-1)[np.unique(spread.argmax(axis=0))]
    middle = (outline.max(axis=0) + outline.min(axis=0)) / 2
    wide, deep = np.ptp(outline, axis=0) / 2
    long = 0 if wide >= deep else 1
    radius = min(wide, deep)
    off = outline - middle
    reach = np.abs(off[:, long]) - np.sqrt(np.maximum(radius**2 - off[:, 1 - long] ** 2, 0.0))
    ends = np.zeros(2)
    ends[long] = max(float(reach.max()), 0.0)
    beside = np.maximum(np.abs(off) - ends, 0.0)
    inside = radius - np.hypot(beside[:, 0], beside[:, 1])
    return middle, ends, float(radius - max(float(inside.max()), 0.0) / 2)


def _limb(part: str, joint: int, points: Array, start: Array, end: Array | None, size: float) -> list[_Found]:
    """Capsules one after the other, from a joint to the next."""
    away = (points.mean(axis=0) if end is None else end) - start
    length = float(np.linalg.norm(away))
    if length < 0.01 * size:
        return []
    along = away / length
    u = np.cross(along, np.eye(3)[int(np.abs(along).argmin())])
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    off = points - start
    places = np.clip(off @ along / (length if end is not None else float((off @ along).max())), 0.0, 1.0)
    found = []
    for k in range(_LIMB_SECTIONS):
        low, high = k / _LIMB_SECTIONS, (k + 1) / _LIMB_SECTIONS
        mine = (places >= low - 1e-9) & (places <= high + 1e-9)
        if mine.sum() < _MIN_POINTS:
            continue
        centre, ends, radius = _stadium(off[mine] @ u, off[mine] @ v)
        for step in _beside(ends, radius, _ROUND):
            aside = start + (centre[0] + step[0]) * u + (centre[1] + step[1]) * v
            found.append(
                _Found(part, joint, aside + low * length * along, aside + high * length * along, radius)
            )
    return found


def _beside(ends: Array, radius: float, least: float) -> Array:
    """Places (N, 2) of circles side by side that fill a flat one; one, where its segment is short."""
    half = float(np.abs(ends).max())
    count = int(np.ceil(half / radius)) + 1 if half > least * radius else 1
    return np.linspace(-1.0, 1.0, count)[:, None] * ends if count > 1 else np.zeros((1, 2))


def _stack(
    part: str, joint: int, points: Array, start: Array, at: Array, skeleton: Skeleton, size: float
) -> list[_Found]:
    """Slices of a neck or a head, upwards from its joint."""
    along = points.mean(axis=0) - start
    if np.linalg.norm(along) < 0.01 * size:
        along = start - at[max(skeleton.parents[joint], 0)]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    across = np.cross(along, np.eye(3)[int(np.abs(along).argmin())])
    along, slices = _slices(points, along, size)
    return [_flat(part, joint, points[mine], along, middle, across) for middle, mine in slices]


def _slab(part: str, joint: int, points: Array, start: Array, size: float) -> list[_Found]:
    """Capsules side by side, along what is longest, as thick as the points lie."""
    middle = points.mean(axis=0)
    axes = np.linalg.svd(points - middle, full_matrices=False)[2]
    along = axes[0] * (1.0 if axes[0] @ (middle - start) >= 0 else -1.0)
    off = points - middle
    wide, thin = off @ axes[1], off @ axes[2]
    centre, ends, radius = _stadium(wide, thin)
    radius = max(radius, _MIN_RADIUS * size)
    place = off @ along
    low, high = float(place.min()) + radius, float(place.max()) - radius
    low, high = (low, high) if low < high else ((low + high) / 2,) * 2
    found = []
    for step in centre + _beside(ends, radius, _ROUND):
        base = middle + step[0] * axes[1] + step[1] * axes[2]
        found.append(_Found(part, joint, base + low * along, base + high * along, radius))
    return found


def _as_capsules(skeleton: Skeleton, found: list[_Found], least: float) -> Capsules:
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
