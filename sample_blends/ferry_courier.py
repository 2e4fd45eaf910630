"""The courier: slim and fox-tailed, arms low, odd bone rolls; the tail is a chain of five."""

from __future__ import annotations

import numpy as np
from ferry_figure import Bone, Figure
from ferry_mesh import Mesh, X, Y, Z, along, only, point
from ferry_wear import add_face

_TAIL = [
    point(0, 0.10, 0.90),
    point(0, 0.21, 0.80),
    point(0, 0.36, 0.74),
    point(0, 0.53, 0.76),
    point(0, 0.67, 0.86),
    point(0, 0.75, 1.00),
]
_TAIL_BONES = [
    Bone(f"tail.{k}", f"tail.{k - 1}" if k else "hips", _TAIL[k], _TAIL[k + 1]) for k in range(len(_TAIL) - 1)
]
_FIGURE = Figure(
    name="courier",
    spine=[
        point(0, 0.000, 0.930),
        point(0, 0.004, 1.040),
        point(0, 0.008, 1.170),
        point(0, 0.004, 1.290),
        point(0, 0.012, 1.450),
        point(0, 0.000, 1.535),
        point(0, 0.000, 1.770),
    ],
    arm=[
        point(0.025, 0.006, 1.405),
        point(0.165, 0.012, 1.395),
        point(0.295, 0.030, 1.155),
        point(0.395, 0.000, 0.935),
        point(0.465, -0.030, 0.775),
    ],
    leg=[
        point(0.090, 0.000, 0.895),
        point(0.097, -0.012, 0.490),
        point(0.102, 0.014, 0.088),
        point(0.110, -0.118, 0.020),
        point(0.116, -0.190, 0.016),
    ],
    names=(
        ("hips", "spine", "chest", "chest_upper", "neck", "head"),
        ("shoulder.{}", "arm.{}", "elbow.{}", "hand.{}"),
        ("leg.{}", "knee.{}", "ankle.{}", "toe.{}"),
    ),
    torso=[
        (0.830, 0.150, 0.108, 0.000),
        (0.890, 0.170, 0.122, 0.000),
        (0.950, 0.166, 0.120, 0.000),
        (1.020, 0.146, 0.108, 0.002),
        (1.090, 0.136, 0.102, 0.004),
        (1.170, 0.146, 0.110, 0.006),
        (1.270, 0.164, 0.112, 0.004),
        (1.350, 0.160, 0.098, 0.000),
        (1.420, 0.108, 0.078, -0.006),
        (1.455, 0.056, 0.058, -0.010),
        (1.505, 0.048, 0.052, -0.004),
        (1.540, 0.062, 0.078, 0.016),
        (1.590, 0.090, 0.102, 0.014),
        (1.655, 0.098, 0.110, 0.008),
        (1.720, 0.088, 0.096, 0.002),
        (1.765, 0.052, 0.058, 0.000),
    ],
    armpit=6,
    neck=9,
    arm_radii=(0.053, 0.042, 0.031),
    leg_radii=(0.086, 0.060, 0.045, 0.046),
    paints={
        "shirt": "moss",
        "sleeve": "white",
        "trousers": "canvas",
        "boots": "leather",
        "skin": "skin brown",
        "glove": "skin brown",
    },
    rolls_deg={
        "spine": 35,
        "chest": -50,
        "neck": 90,
        "head": -120,
        "arm.L": 77,
        "arm.R": -12,
        "elbow.L": -143,
        "elbow.R": 64,
        "hand.L": 18,
        "leg.L": -33,
        "leg.R": 151,
        "knee.R": 45,
        "ankle.L": 100,
        "tail.2": 60,
    },
    extra=_TAIL_BONES,
)


def courier() -> tuple[Figure, Mesh]:
    """Measures and mesh."""
    mesh = Mesh()
    _FIGURE.skin(mesh)
    head, trunk = only("head"), _FIGURE.spine_weights()
    add_face(mesh, head, point(0, -0.113, 1.650), 0.098, 0.040, (0.016, 0.023))
    for flip in (1.0, -1.0):
        base = point(flip * 0.062, 0.015, 1.740)
        ear = [
            (base, X * 0.040, Y * 0.022),
            (base + point(flip * 0.018, 0, 0.065), X * 0.028, Y * 0.015),
        ]
        mesh.tube(ear, 6, "fox", head, (base, base + point(flip * 0.030, -0.004, 0.150)))
    hair = (
        (1.560, 0.070, 0.066),
        (1.620, 0.098, 0.096),
        (1.690, 0.108, 0.106),
        (1.750, 0.094, 0.102),
        (1.790, 0.050, 0.056),
    )
    mesh.cap(hair, 10, "fox", head, (point(0, 0.016, 1.550), point(0, 0.010, 1.805)))
    mesh.blob(point(0.02, -0.085, 1.745), point(0.075, 0.040, 0.035), "fox", head, 6, 4, up=Z + 0.25 * X)
    _tail(mesh)
    cape = (
        (1.480, 0.066, 0.072),
        (1.440, 0.165, 0.115),
        (1.330, 0.238, 0.152),
        (1.225, 0.262, 0.168),
        (1.235, 0.250, 0.156),
        (1.330, 0.226, 0.140),
        (1.430, 0.150, 0.100),
        (1.455, 0.050, 0.054),
    )
    mesh.band(cape, 12, "brick", trunk, ahead=-0.006, power=1)
    belt = ((1.000, 0.164, 0.124), (1.035, 0.156, 0.118), (1.035, 0.125, 0.090), (1.000, 0.130, 0.095))
    mesh.band(belt, 10, "leather", trunk)
    bag = point(0.195, 0.02, 0.90)
    sides = [(bag + point(x, 0, 0), Y * 0.095, Z * 0.070) for x in (-0.030, 0.030)]
    mesh.tube(sides, 8, "leather", only("hips"), power=0.5)
    return _FIGURE, mesh


def _tail(mesh: Mesh) -> None:
    rows = []
    sizes = (0.030, 0.055, 0.080, 0.092, 0.078, 0.045)
    for spot, step, size in zip(_TAIL, np.gradient(np.array(_TAIL), axis=0), sizes, strict=True):
        way = step / np.linalg.norm(step)
        rows.append((spot, X * size, np.cross(X, way) * size))
    chain = along([bone.name for bone in _TAIL_BONES], _TAIL, [0.08] * 4)
    ends = (_TAIL[0] - 0.03 * Y, _TAIL[-1] + point(0, 0.02, 0.075))
    mesh.tube(rows, 8, "fox", chain, ends, ("fox", "fox", "fox", "fox", "white"))
