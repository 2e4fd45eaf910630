"""Low meshes from rings: a body in one skin, and closed shells for what it wears; every vertex weighted.

A ring is a loop of vertices about a centre: angle 0 lies ahead, 90 degrees to the side.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import pairwise

import numpy as np

from takemill.base.checks import Array

Weights = Mapping[str, float]
Weigher = Callable[[Array], Weights]  # a point -> bone -> weight
Ring = list[int]

X, Y, Z = np.eye(3)
FRONT = -Y


def point(*values: float) -> Array:
    """A point or a direction (3,)."""
    return np.array(values, np.float64)


class Mesh:
    """Vertices with weights, faces with a paint each, and shape keys as offsets of single vertices."""

    def __init__(self) -> None:
        self.vertices: list[Array] = []
        self.weights: list[dict[str, float]] = []
        self.faces: list[tuple[int, ...]] = []
        self.paints: list[str] = []
        self.keys: dict[str, dict[int, Array]] = {}

    def vertex(self, place: Array, weigh: Weigher) -> int:
        """Add one vertex; its weights are cut to four bones and made to sum to 1."""
        most = sorted(weigh(place).items(), key=lambda item: -item[1])[:4]
        kept = {bone: weight for bone, weight in most if weight > 1e-3}
        total = sum(kept.values())
        self.vertices.append(np.asarray(place, np.float64))
        self.weights.append({bone: weight / total for bone, weight in kept.items()})
        return len(self.vertices) - 1

    def face(self, corners: Sequence[int], paint: str) -> None:
        """Add one face."""
        self.faces.append(tuple(corners))
        self.paints.append(paint)

    def ring(
        self,
        centre: Array,
        side: Array,
        ahead: Array,
        angles_deg: Sequence[float],
        weigh: Weigher,
        power: float = 1,
    ) -> Ring:
        """A loop; `side` and `ahead` carry its radii; a `power` below 1 makes it squarer."""
        out = []
        for angle in np.radians(angles_deg):
            s, c = np.sin(angle), np.cos(angle)
            s, c = np.sign(s) * abs(s) ** power, np.sign(c) * abs(c) ** power
            out.append(self.vertex(centre + s * side + c * ahead, weigh))
        return out

    def bridge(self, one: Ring, other: Ring, paint: str, skip: Sequence[int] = ()) -> None:
        """Quads between two loops of equal length; `skip` leaves out columns."""
        count = len(one)
        for k in range(count):
            if k not in skip:
                after = (k + 1) % count
                self.face((one[k], one[after], other[after], other[k]), paint)

    def close(self, ring: Ring, paint: str, tip: Array | None = None) -> None:
        """Close a loop: by a fan about `tip`, or by a strip of quads across an even loop."""
        if tip is not None:
            weights = self.weights[ring[0]]
            pole = self.vertex(tip, lambda _: weights)
            for k, corner in enumerate(ring):
                self.face((corner, ring[(k + 1) % len(ring)], pole), paint)
            return
        count = len(ring)
        for k in range(count // 2 - 1):
            self.face((ring[k], ring[k + 1], ring[count - 2 - k], ring[count - 1 - k]), paint)

    def tube(
        self, rows: Sequence[tuple[Array, Array, Array]], columns: int, paint: str, weigh: Weigher,
        tips: tuple[Array | None, Array | None] = (None, None), stripes: Sequence[str] = (), power: float = 1,
    ) -> list[Ring]:  # fmt: skip
        """A closed shell through rings given as (centre, side, ahead); `stripes` paint its segments."""
        angles = np.arange(columns) * 360.0 / columns
        rings = [self.ring(*row, angles, weigh, power) for row in rows]
        for k, (one, other) in enumerate(pairwise(rings)):
            self.bridge(one, other, stripes[k] if k < len(stripes) else paint)
        self.close(rings[0], stripes[0] if stripes else paint, tips[0])
        self.close(rings[-1], stripes[-1] if len(stripes) >= len(rings) - 1 else paint, tips[1])
        return rings

    def blob(
        self, centre: Array, radii: Array, paint: str, weigh: Weigher, columns: int = 8, rows: int = 5,
        up: Array = Z, ahead: Array = FRONT,
    ) -> list[int]:  # fmt: skip
        """An ellipsoid with `radii` to the side, ahead and up; returns its vertices."""
        first = len(self.vertices)
        side = np.cross(up, ahead)
        tilts = np.radians(np.linspace(-90, 90, rows + 1)[1:-1])
        loops = [
            (
                centre + np.sin(t) * radii[2] * up,
                np.cos(t) * radii[0] * side,
                np.cos(t) * radii[1] * ahead,
            )
            for t in tilts
        ]
        self.tube(loops, columns, paint, weigh, (centre - radii[2] * up, centre + radii[2] * up))
        return list(range(first, len(self.vertices)))

    def band(
        self,
        rows: Sequence[tuple[float, float, float]],
        columns: int,
        paint: str,
        weigh: Weigher,
        ahead: float = 0.0,
        power: float = 0.85,
    ) -> None:
        """A closed band about the trunk (a belt, a skirt, a cape): `rows` of its cross-section in a circle.

        A row is height, half-width and half-depth, metres; the band is shifted `ahead`.
        """
        angles = np.arange(columns) * 360.0 / columns
        rings = [
            self.ring(point(0, -ahead, z), wide * X, deep * FRONT, angles, weigh, power)
            for z, wide, deep in rows
        ]
        for one, other in pairwise([*rings, rings[0]]):
            self.bridge(one, other, paint)

    def cap(
        self,
        rows: Sequence[tuple[float, float, float]],
        columns: int,
        paint: str,
        weigh: Weigher,
        ends: tuple[Array, Array],
        stripes: Sequence[str] = (),
        lean: float = 0.0,
    ) -> None:
        """A closed upright shell (hair, a hat): `rows` of height, half-width, half-depth, and its two ends.

        `lean` shifts it back, as a part of the height above the first row.
        """
        low = rows[0][0]
        loops = [
            (point(0, ends[0][1] + lean * (z - low), z), wide * X, deep * FRONT) for z, wide, deep in rows
        ]
        self.tube(loops, columns, paint, weigh, ends, stripes)

    def move_key(self, key: str, vertices: Sequence[int], move: Callable[[Array], Array]) -> None:
        """Let shape key `key` take each of `vertices` to `move(place)`."""
        offsets = self.keys.setdefault(key, {})
        for index in vertices:
            offsets[index] = move(self.vertices[index]) - self.vertices[index]

    def tidy(self) -> None:
        """Drop vertices that no face uses."""
        used = sorted({corner for face in self.faces for corner in face})
        place = {old: new for new, old in enumerate(used)}
        self.vertices = [self.vertices[old] for old in used]
        self.weights = [self.weights[old] for old in used]
        self.faces = [tuple(place[corner] for corner in face) for face in self.faces]
        self.keys = {
            key: {place[old]: offset for old, offset in offsets.items() if old in place}
            for key, offsets in self.keys.items()
        }


def only(bone: str) -> Weigher:
    """All weight on one bone."""
    return lambda _: {bone: 1.0}


def along(bones: Sequence[str], joints: Sequence[Array], blend_m: Sequence[float]) -> Weigher:
    """Weights along a chain: bone k leads from joint k to joint k + 1.

    `blend_m` holds, for each inner joint, the half-width over which two bones share a vertex.
    """
    places = np.array(joints)
    lengths = np.linalg.norm(np.diff(places, axis=0), axis=-1)
    starts = np.concatenate([[0.0], np.cumsum(lengths)])

    def weigh(place: Array) -> Weights:
        steps = np.diff(places, axis=0)
        part = np.einsum("ki,ki->k", place - places[:-1], steps) / lengths**2
        near = places[:-1] + np.clip(part, 0, 1)[:, None] * steps
        best = int(np.argmin(np.linalg.norm(place - near, axis=-1)))
        way = starts[best] + np.clip(part[best], 0, 1) * lengths[best]
        blend = np.asarray(blend_m)
        u = np.clip((way - starts[1:-1] + blend) / (2 * blend), 0, 1)
        passed = np.concatenate([[1.0], u * u * (3 - 2 * u), [0.0]])
        share = np.maximum(passed[:-1] - passed[1:], 0.0)
        return dict(zip(bones, share, strict=True))

    return weigh


def mixed(one: Weigher, other: Weigher, share: Callable[[Array], float]) -> Weigher:
    """`one` turning into `other` as `share(place)` goes from 0 to 1."""

    def weigh(place: Array) -> Weights:
        part = float(np.clip(share(place), 0, 1))
        out: dict[str, float] = {}
        for weigher, factor in ((one, 1 - part), (other, part)):
            for bone, weight in weigher(place).items():
                out[bone] = out.get(bone, 0.0) + factor * weight
        return out

    return weigh
