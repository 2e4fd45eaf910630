"""What people of the marsh have on them that is no body: a face, and poles."""

from __future__ import annotations

import numpy as np
from ferry_mesh import Mesh, Weigher, X, Y, Z, point

from takemill.base.checks import Array


def add_face(
    mesh: Mesh, weigh: Weigher, centre: Array, size_m: float, spread_m: float, eye_m: tuple[float, float]
) -> None:
    """Eyes, brows, nose and mouth on a head's front, with their shape keys.

    `centre` lies between the eyes on the skin, `size_m` is the head's radius, the eyes stand `spread_m` to
    each side and are `eye_m` half-wide and half-high.
    """
    wide, high = eye_m
    for letter, flip in (("L", 1.0), ("R", -1.0)):
        spot = centre + point(flip * spread_m, 0.14 * size_m, 0)
        ball = mesh.blob(spot, point(wide, 0.16 * size_m, high), "ink", weigh, 8, 4)
        glint = spot + point(0.30 * wide, -0.125 * size_m, 0.36 * high)
        light = mesh.blob(glint, point(0.34 * wide, 0.07 * size_m, 0.30 * high), "white", weigh, 4, 3)
        mesh.move_key(f"blink.{letter}", [*ball, *light], lambda p, s=spot: s + (p - s) * point(1, 1, 0.1))
        above = spot + point(0.15 * flip * wide, -0.05 * size_m, 1.75 * high)
        radii = point(1.15 * wide, 0.07 * size_m, 0.045 * size_m)
        brow = mesh.blob(above, radii, "dark hair", weigh, 4, 3, up=Z + 0.18 * flip * X)
        mesh.move_key("brows_up", brow, lambda p: p + point(0, 0, 0.16 * size_m))
    nose = centre + point(0, -0.02 * size_m, -0.30 * size_m)
    mesh.blob(nose, point(0.11, 0.15, 0.10) * size_m, "lip", weigh, 6, 3)
    _mouth(mesh, weigh, centre + point(0, 0.12 * size_m, -0.61 * size_m), size_m)


def _mouth(mesh: Mesh, weigh: Weigher, low: Array, size_m: float) -> None:
    def bent(place: Array, curve: float) -> Array:
        return place + point(0, 0, curve * (place - low)[0] ** 2 / size_m)

    mouth = mesh.blob(low, point(0.24, 0.15, 0.042) * size_m, "ink", weigh, 8, 3)
    for index in mouth:
        mesh.vertices[index] = bent(mesh.vertices[index], 1.1)
    mesh.move_key("smile", mouth, lambda p: bent(p, 1.6) + point(0.30 * (p - low)[0], 0, 0))
    mesh.move_key(
        "mouth_open", mouth, lambda p: p + point(-0.25 * (p - low)[0], 0, 2.4 * (p - low)[2] - 0.05 * size_m)
    )


def add_pole(
    mesh: Mesh, low: Array, high: Array, radius_m: float, paint: str, weigh: Weigher, blade: bool = False
) -> None:
    """A pole from `low` to `high`; with a `blade` it is an oar."""
    way = (high - low) / np.linalg.norm(high - low)
    flat = Y if abs(way[1]) < 0.7 else Z
    side = np.cross(way, flat)
    side /= np.linalg.norm(side)
    shape = [(0.0, 1.0, 1.0), (1.0, 1.0, 1.0)]
    if blade:
        shape = [
            (0.0, 2.6, 0.6),
            (0.03, 4.4, 0.6),
            (0.24, 3.6, 0.7),
            (0.32, 1, 1),
            (0.97, 1, 1),
            (1, 1.7, 1.7),
        ]
    rows = [(low + t * (high - low), side * radius_m * a, flat * radius_m * b) for t, a, b in shape]
    mesh.tube(rows, 6, paint, weigh, (low, high))


def add_lantern(mesh: Mesh, top: Array, weigh: Weigher) -> None:
    """A small lantern that hangs from `top`."""
    rows = (
        (-0.150, 0.034),
        (-0.138, 0.036),
        (-0.132, 0.030),
        (-0.052, 0.036),
        (-0.046, 0.046),
        (-0.012, 0.012),
    )
    loops = [(top + point(0, 0, z), X * r, Y * r) for z, r in rows]
    ends = (top - point(0, 0, 0.152), top)
    mesh.tube(loops, 6, "iron", weigh, ends, ("iron", "iron", "flame", "iron", "iron"))
