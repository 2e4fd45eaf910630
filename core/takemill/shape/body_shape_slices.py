"""Slices of a mesh as flat capsules: of trunks, and of necks and heads with what is worn on them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..body.skeleton import Skeleton
from .body_shape_outline import DIRECTIONS

SLICE = 0.06
"""From one slice of a stack to the next, of the leg's length. Chosen on the tests' meshes, as those below."""

MIN_POINTS = 4
"""Fewer points do not show a shape."""

_TRIED = 16  # half lengths, and radii, of flat circles
_OUTSIDE_COST = 1.5  # of a mesh that lies outside of its capsule, beside one that lies inside
# Of a slice's radius, and in a rim's thicknesses: what its thickest capsule leaves out is filled by rims.
_RIM_SHARE, _RIM_THICK = 0.2, 2.0
_RIM_WAYS = 8  # sides of a rim


@dataclass(frozen=True)
class Found:
    """A capsule in model space at rest: from a (3,) to b (3,)."""

    part: str
    joint: int
    a: Array
    b: Array
    radius: float


def slices(points: Array, along: Array, size: float) -> Iterator[tuple[float, Mask]]:
    """(middle, which points (N,)) of slices of points (N, 3) that leave no gap."""
    heights = points @ along
    low, high = float(heights.min()), float(heights.max())
    count = max(int(np.ceil((high - low) / (SLICE * size))), 1)
    thick = (high - low) / count
    for k in range(count):
        middle = low + (k + 0.5) * thick
        mine = np.abs(heights - middle) <= 0.5 * thick + 1e-9
        if mine.sum() >= MIN_POINTS:
            yield middle, mine


def flat(part: str, joint: int, outline: Array, origin: Array, u: Array, v: Array) -> Found:
    """One capsule from side to side around a slice's outline (N, 2)."""
    centre, ends, radius = stadium(outline)
    a, b = (origin + x * u + y * v for x, y in (centre + ends, centre - ends))
    return Found(part, joint, a, b, radius)


def stadium(points: Array) -> tuple[Array, Array, float]:
    """A flat circle around points (N, 2): its centre (2,), half its segment (2,), and its radius.

    Of those tried, the one whose outline lies nearest to the points' own, where it is furthest from it.
    """
    reach = (points @ DIRECTIONS.T).max(axis=0)  # of the convex outline, in each direction
    low, high = points.min(axis=0), points.max(axis=0)
    middle, (wide, deep) = (low + high) / 2, (high - low) / 2
    ways = DIRECTIONS @ DIRECTIONS.T
    reach = reach - DIRECTIONS @ middle
    far = np.where(ways > 0.1, reach / np.maximum(ways, 0.1), np.inf).min(axis=1)
    outline = np.abs(far[:, None] * DIRECTIONS)
    long, (most, least) = (0, (wide, deep)) if wide >= deep else (1, (deep, wide))
    halves = np.linspace(0.0, most, _TRIED)[:, None, None]
    radii = np.linspace(0.7, 1.0, _TRIED)[:, None] * max(least, 1e-6)
    apart = np.hypot(np.maximum(outline[:, long] - halves, 0.0), outline[:, 1 - long]) - radii
    worst = np.maximum(_OUTSIDE_COST * apart, -apart).max(axis=2)
    best = np.unravel_index(int(worst.argmin()), (_TRIED, _TRIED))
    ends = np.zeros(2)
    ends[long] = halves[best[0], 0, 0]
    return middle, ends, float(radii[best[1], 0])


def stack(
    part: str, joint: int, points: Array, start: Array, at: Array, skeleton: Skeleton, size: float
) -> list[Found]:
    """Slices of a neck or a head, upwards from its joint, by its points (N, 3) in model space.

    No capsule stands out over the top, or over the brim of a hat: it is as thick as the slices around allow,
    and what is left of its own slice is filled by rims as thick as the slice.
    """
    along = points.mean(axis=0) - start
    if np.linalg.norm(along) < 0.01 * size:
        along = start - at[max(skeleton.parents[joint], 0)]
    along = along / max(float(np.linalg.norm(along)), 1e-9)
    u = np.cross(along, np.eye(3)[int(np.abs(along).argmin())])
    u /= np.linalg.norm(u)
    v = np.cross(along, u)
    rows = [
        (middle, *stadium(np.stack([points[mine] @ u, points[mine] @ v], axis=-1)))
        for middle, mine in slices(points, along, size)
    ]
    heights, radii = np.array([row[0] for row in rows]), np.array([row[3] for row in rows])
    top = float((points @ along).max()) if part == "head" else np.inf
    thin = (heights[1] - heights[0]) / 2 if len(rows) > 1 else np.inf
    found = []
    for middle, centre, ends, radius in rows:
        # A sphere here is no wider than the slice is at any height that it reaches.
        apart = np.abs(heights - middle)
        allowed = np.where(apart < radius, np.hypot(radii, apart), np.inf)
        inner = min(radius, float(allowed.min()), max(top - middle, thin))
        lines = [(centre + ends, centre - ends, inner)]
        # A rim of this slice's radius is no thicker than where the slices around are narrower, or end.
        narrower, away = np.maximum(radius - radii, 0.0), np.maximum(apart - thin, thin)
        round_it = (away**2 + narrower**2) / np.maximum(2 * narrower, 1e-9)
        edge = min(float(np.where(round_it > narrower, round_it, away).min()), max(top - middle, thin))
        if radius - inner > max(_RIM_SHARE * radius, _RIM_THICK * edge):
            outer = radius - edge
            rims = [outer, (outer + inner) / 2] if outer - inner > 2 * edge else [outer]
            lines += [(*side, edge) for reach in rims for side in _rim(centre, ends, reach)]
        for one, other, thick in lines:
            a, b = (middle * along + x * u + y * v for x, y in (one, other))
            found.append(Found(part, joint, a, b, thick))
    return found


def _rim(centre: Array, ends: Array, reach: float) -> list[tuple[Array, Array]]:
    """The sides, (2,) to (2,), of a rim so far outside of a slice's segment, metres."""
    turns = 2 * np.pi * np.arange(_RIM_WAYS) / _RIM_WAYS
    ways = np.stack([np.cos(turns), np.sin(turns)], axis=-1)
    corners = centre + np.sign(ways @ ends)[:, None] * ends + reach * ways
    return [(corners[k - 1], corners[k]) for k in range(_RIM_WAYS)]
