"""The people of the marsh ferry: a broad ferrywoman, a short lamplighter, a fox-tailed courier."""

from __future__ import annotations

import numpy as np
from ferry_figure import Bone, Figure
from ferry_mesh import FRONT, Mesh, Weigher, X, Y, Z, along, only, point
from takemill.checks import Array

# Paint -> colour (linear RGB) and roughness.
PAINTS: dict[str, tuple[tuple[float, float, float], float]] = {
    "skin warm": ((0.60, 0.30, 0.18), 0.6),
    "skin pale": ((0.78, 0.49, 0.36), 0.6),
    "skin brown": ((0.30, 0.145, 0.075), 0.6),
    "ink": ((0.012, 0.010, 0.014), 0.3),
    "white": ((0.85, 0.84, 0.80), 0.6),
    "cheek": ((0.70, 0.20, 0.14), 0.7),
    "river blue": ((0.055, 0.165, 0.26), 0.8),
    "reed green": ((0.14, 0.22, 0.075), 0.85),
    "canvas": ((0.42, 0.33, 0.21), 0.9),
    "straw": ((0.62, 0.42, 0.13), 0.85),
    "leather": ((0.115, 0.052, 0.026), 0.7),
    "dark hair": ((0.035, 0.018, 0.013), 0.6),
    "brick": ((0.37, 0.075, 0.045), 0.8),
    "plum": ((0.13, 0.045, 0.11), 0.85),
    "mustard": ((0.56, 0.29, 0.035), 0.8),
    "iron": ((0.06, 0.065, 0.075), 0.45),
    "flame": ((1.0, 0.50, 0.10), 0.5),
    "fox": ((0.52, 0.15, 0.03), 0.8),
    "moss": ((0.075, 0.125, 0.07), 0.85),
    "wood": ((0.22, 0.115, 0.05), 0.8),
    "sensor": ((0.85, 0.25, 0.03), 0.5),
    "suit": ((0.11, 0.125, 0.15), 0.75),
}


def face(
    mesh: Mesh, weigh: Weigher, centre: Array, size: float, spread: float, eye: tuple[float, float]
) -> None:
    """Eyes, brows, nose, mouth on a head's front; `centre` between the eyes on the skin, `size` a head's radius."""
    for letter, flip in (("L", 1.0), ("R", -1.0)):
        spot = centre + point(flip * spread, 0.14 * size, 0)
        radii = point(eye[0], 0.16 * size, eye[1])
        ball = mesh.blob(spot, radii, "ink", weigh)
        light = mesh.blob(
            spot + point(0.30 * eye[0], -0.125 * size, 0.36 * eye[1]), point(0.34 * eye[0], 0.07 * size, 0.3 * eye[1]),
            "white", weigh, 6, 4,
        )  # fmt: skip
        mesh.move_key(
            f"blink.{letter}", [*ball, *light], lambda p, s=spot: p * (X + Y) + Z * (s + 0.10 * (p - s))
        )
        brow = mesh.blob(
            spot + point(0.1 * flip * eye[0], -0.08 * size, 1.65 * eye[1]), point(1.15 * eye[0], 0.07 * size, 0.05 * size),
            "dark hair", weigh, 6, 4, up=Z + 0.12 * flip * X,
        )  # fmt: skip
        mesh.move_key("brows_up", brow, lambda p: p + point(0, 0, 0.16 * size))
    mesh.blob(
        centre + point(0, -0.02 * size, -0.30 * size), point(0.13, 0.17, 0.12) * size, "cheek", weigh, 6, 5
    )
    low = centre + point(0, 0.10 * size, -0.58 * size)
    mouth = mesh.blob(low, point(0.27, 0.16, 0.045) * size, "ink", weigh, 10, 4)
    mesh.move_key("smile", mouth, lambda p: p + point(0.25 * (p - low)[0], 0, 2.6 * (p - low)[0] ** 2 / size))
    mesh.move_key(
        "mouth_open", mouth, lambda p: p + point(-0.25 * (p - low)[0], 0, 2.8 * (p - low)[2] - 0.06 * size)
    )


def ferrywoman() -> tuple[Figure, Mesh]:
    """Broad, in an A-pose; straw hat, apron, a steering oar across her back on a bone of its own."""
    oar = Bone("prop.oar", "chest", point(0.10, 0.27, 1.02), point(-0.05, 0.27, 1.32), deform=True)
    figure = Figure(
        name="ferrywoman",
        spine=[point(0, 0, z) for z in (0.860, 0.980, 1.130, 1.370, 1.450, 1.700)],
        arm=[point(0.035, 0, 1.320), point(0.215, 0.01, 1.300), point(0.405, 0.015, 1.105), point(0.575, 0, 0.935), point(0.695, -0.01, 0.820)],
        leg=[point(0.120, 0, 0.820), point(0.125, -0.008, 0.450), point(0.130, 0.012, 0.090), point(0.133, -0.125, 0.022), point(0.135, -0.205, 0.018)],
        names=(
            ("hips", "spine", "chest", "neck", "head"),
            ("shoulder.{}", "upper_arm.{}", "forearm.{}", "hand.{}"),
            ("thigh.{}", "shin.{}", "foot.{}", "toe.{}"),
        ),
        torso=[
            (0.740, 0.215, 0.150, 0.00), (0.820, 0.245, 0.178, 0.00), (0.900, 0.248, 0.188, 0.012), (0.980, 0.235, 0.182, 0.018),
            (1.060, 0.222, 0.172, 0.015), (1.140, 0.222, 0.168, 0.018), (1.215, 0.222, 0.150, 0.012), (1.285, 0.205, 0.128, 0.00),
            (1.350, 0.140, 0.098, -0.004), (1.385, 0.076, 0.075, -0.004), (1.425, 0.064, 0.066, 0.0), (1.462, 0.078, 0.088, 0.018),
            (1.510, 0.106, 0.112, 0.016), (1.575, 0.113, 0.120, 0.010), (1.640, 0.102, 0.108, 0.004), (1.690, 0.062, 0.066, 0.0),
        ],
        armpit=6, neck=9, belt=3,
        arm_radii=(0.076, 0.060, 0.042), leg_radii=(0.122, 0.085, 0.062, 0.056),
        paints={"shirt": "river blue", "trousers": "canvas", "boots": "leather", "skin": "skin warm", "sleeve": "river blue", "glove": "skin warm"},
        extra=[oar],
    )  # fmt: skip
    mesh = Mesh()
    figure.skin(mesh)
    head, trunk = only("head"), figure.spine_weights()
    face(mesh, head, point(0, -0.130, 1.575), 0.105, 0.042, (0.0145, 0.019))
    # Apron: a flared band about the hips. Hat: crown and brim. Bun, belt, oar.
    mesh.hoop(
        [
            (point(0, -0.010, z), X * w, FRONT * d)
            for z, w, d in ((1.02, 0.236, 0.188), (0.90, 0.262, 0.206), (0.62, 0.310, 0.235), (0.63, 0.296, 0.221), (0.90, 0.244, 0.188), (1.02, 0.220, 0.170))
        ], 16, "brick", trunk,
    )  # fmt: skip
    mesh.hoop([(point(0, -0.014, z), X * w, FRONT * d) for z, w, d in ((1.00, 0.245, 0.196), (1.04, 0.241, 0.192), (1.04, 0.21, 0.16), (1.00, 0.21, 0.16))], 16, "leather", trunk)  # fmt: skip
    mesh.tube(
        [(point(0, -0.004, z), X * r, FRONT * r * 1.04) for z, r in ((1.605, 0.116), (1.630, 0.255), (1.642, 0.252), (1.640, 0.118), (1.720, 0.104), (1.745, 0.060))],
        14, "straw", head, (point(0, -0.004, 1.605), point(0, -0.004, 1.752)), ("straw", "straw", "straw", "brick", "straw"),
    )  # fmt: skip
    mesh.blob(point(0, 0.125, 1.520), point(0.065, 0.055, 0.062), "dark hair", head, 8, 6)
    mesh.tube(
        [(point(0, 0.012, z), X * w, FRONT * d) for z, w, d in ((1.475, 0.075, 0.070), (1.530, 0.116, 0.105), (1.600, 0.121, 0.118), (1.640, 0.105, 0.105))],
        12, "dark hair", head, (point(0, 0.02, 1.47), point(0, 0, 1.65)),
    )  # fmt: skip
    _pole(
        mesh, point(0.36, 0.215, 0.50), point(-0.30, 0.215, 1.82), 0.017, "wood", only("prop.oar"), blade=True
    )
    return figure, mesh


def _pole(
    mesh: Mesh, low: Array, high: Array, radius: float, paint: str, weigh: Weigher, blade: bool = False
) -> None:
    way = (high - low) / np.linalg.norm(high - low)
    flat = Y if abs(way[1]) < 0.7 else Z
    side = np.cross(way, flat)
    side /= np.linalg.norm(side)
    shape = [(0.0, 1, 1), (1.0, 1, 1)]
    if blade:
        shape = [
            (0.0, 2.6, 0.6),
            (0.03, 4.4, 0.6),
            (0.24, 3.6, 0.7),
            (0.32, 1, 1),
            (0.97, 1, 1),
            (1.0, 1.7, 1.7),
        ]
    rows = [(low + t * (high - low), side * radius * a, flat * radius * b) for t, a, b in shape]
    mesh.tube(rows, 6, paint, weigh, (low, high))


def lamplighter() -> tuple[Figure, Mesh]:
    """Short and big-headed, in a T-pose, three bones in the back; a lantern pole in the right hand."""
    hand = point(-0.505, -0.02, 0.715)
    pole = Bone("prop.lantern", "hand.R", hand, hand + point(0, 0, 0.22))
    figure = Figure(
        name="lamplighter",
        spine=[point(0, 0, z) for z in (0.455, 0.520, 0.590, 0.670, 0.775, 0.825, 1.240)],
        arm=[point(0.020, 0, 0.745), point(0.125, 0.004, 0.735), point(0.275, 0.006, 0.735), point(0.410, 0, 0.735), point(0.520, 0, 0.735)],
        leg=[point(0.072, 0, 0.435), point(0.074, -0.006, 0.245), point(0.076, 0.008, 0.062), point(0.077, -0.080, 0.018), point(0.077, -0.140, 0.014)],
        names=(
            ("pelvis", "spine.001", "spine.002", "spine.003", "neck", "head"),
            ("clavicle.{}", "arm_upper.{}", "arm_lower.{}", "hand.{}"),
            ("leg_upper.{}", "leg_lower.{}", "foot.{}", "toes.{}"),
        ),
        torso=[
            (0.385, 0.125, 0.092, 0.00), (0.430, 0.150, 0.112, 0.00), (0.475, 0.152, 0.118, 0.006), (0.530, 0.146, 0.114, 0.010),
            (0.585, 0.138, 0.106, 0.008), (0.640, 0.132, 0.098, 0.004), (0.690, 0.128, 0.090, 0.002), (0.732, 0.118, 0.080, 0.0),
            (0.772, 0.084, 0.064, 0.0), (0.795, 0.050, 0.050, 0.0), (0.815, 0.046, 0.048, 0.0), (0.838, 0.100, 0.098, 0.010),
            (0.890, 0.158, 0.146, 0.012), (0.965, 0.180, 0.166, 0.008), (1.050, 0.176, 0.166, 0.002), (1.130, 0.140, 0.138, 0.0), (1.180, 0.080, 0.082, 0.0),
        ],
        armpit=6, neck=9, belt=3,
        arm_radii=(0.044, 0.036, 0.027), leg_radii=(0.068, 0.052, 0.042, 0.042),
        paints={"shirt": "mustard", "trousers": "plum", "boots": "leather", "skin": "skin pale", "sleeve": "mustard", "glove": "leather"},
        extra=[pole],
    )  # fmt: skip
    mesh = Mesh()
    figure.skin(mesh)
    head, trunk = only("head"), figure.spine_weights()
    face(mesh, head, point(0, -0.170, 0.975), 0.165, 0.070, (0.026, 0.038))
    # Long coat, scarf, knitted cap with a bobble, hair, the lantern on its pole.
    mesh.hoop(
        [
            (point(0, -0.006, z), X * w, FRONT * d)
            for z, w, d in ((0.66, 0.140, 0.108), (0.54, 0.158, 0.126), (0.42, 0.172, 0.138), (0.285, 0.200, 0.160), (0.292, 0.190, 0.150), (0.42, 0.160, 0.126), (0.54, 0.146, 0.114), (0.66, 0.120, 0.088))
        ], 16, "plum", trunk,
    )  # fmt: skip
    mesh.hoop([(point(0, -0.006, z), X * w, FRONT * w * 0.95) for z, w in ((0.765, 0.100), (0.790, 0.112), (0.818, 0.098), (0.800, 0.045))], 14, "brick", along(("spine.003", "neck"), (point(0, 0, 0.6), point(0, 0, 0.79), point(0, 0, 0.9)), (0.03,)))  # fmt: skip
    mesh.tube(
        [(point(0, -0.004 + 0.10 * max(0, z - 1.06), z), X * r, FRONT * r * 0.95) for z, r in ((1.052, 0.176), (1.050, 0.197), (1.105, 0.193), (1.110, 0.176), (1.19, 0.138), (1.27, 0.085), (1.33, 0.034))],
        14, "brick", head, (point(0, 0, 1.055), point(0, 0.03, 1.34)), ("mustard", "mustard", "mustard", "brick", "brick", "brick"),
    )  # fmt: skip
    mesh.blob(point(0, 0.034, 1.352), point(0.042, 0.042, 0.040), "mustard", head, 8, 6)
    mesh.tube(
        [(point(0, 0.034, z), X * w, FRONT * d) for z, w, d in ((0.850, 0.100, 0.085), (0.920, 0.174, 0.142), (1.000, 0.192, 0.156), (1.070, 0.180, 0.150))],
        12, "straw", head, (point(0, 0.04, 0.84), point(0, 0, 1.09)),
    )  # fmt: skip
    staff = only("prop.lantern")
    _pole(mesh, hand - point(0, 0, 0.16), hand + point(0, 0, 0.50), 0.010, "wood", staff)
    top = hand + point(0, -0.10, 0.47)
    _pole(mesh, hand + point(0, 0.02, 0.485), top + point(0, 0, 0.015), 0.008, "iron", staff)
    mesh.tube(
        [(top + point(0, 0, z), X * r, Y * r) for z, r in ((-0.150, 0.034), (-0.138, 0.036), (-0.132, 0.030), (-0.052, 0.036), (-0.046, 0.046), (-0.012, 0.012))],
        8, "iron", staff, (top - point(0, 0, 0.152), top), ("iron", "iron", "flame", "iron", "iron"),
    )  # fmt: skip
    return figure, mesh


def courier() -> tuple[Figure, Mesh]:
    """Slim and fox-tailed, arms low, odd bone rolls; the tail is a chain of five."""
    tail = [point(0, 0.10, 0.90), point(0, 0.21, 0.80), point(0, 0.36, 0.74), point(0, 0.53, 0.76), point(0, 0.67, 0.86), point(0, 0.75, 1.00)]  # fmt: skip
    bones = [Bone(f"tail.{k}", "hips" if k == 0 else f"tail.{k - 1}", tail[k], tail[k + 1]) for k in range(5)]
    figure = Figure(
        name="courier",
        spine=[point(0, 0, 0.930), point(0, 0.004, 1.040), point(0, 0.008, 1.170), point(0, 0.004, 1.290), point(0, 0.012, 1.450), point(0, 0.0, 1.535), point(0, 0.0, 1.770)],
        arm=[point(0.025, 0.006, 1.405), point(0.165, 0.012, 1.395), point(0.295, 0.030, 1.155), point(0.395, 0.000, 0.935), point(0.465, -0.030, 0.775)],
        leg=[point(0.090, 0, 0.895), point(0.097, -0.012, 0.490), point(0.102, 0.014, 0.088), point(0.110, -0.118, 0.020), point(0.116, -0.190, 0.016)],
        names=(
            ("hips", "spine", "chest", "chest_upper", "neck", "head"),
            ("shoulder.{}", "arm.{}", "elbow.{}", "hand.{}"),
            ("leg.{}", "knee.{}", "ankle.{}", "toe.{}"),
        ),
        torso=[
            (0.830, 0.150, 0.108, 0.00), (0.890, 0.170, 0.122, 0.00), (0.950, 0.166, 0.120, 0.0), (1.020, 0.146, 0.108, 0.002),
            (1.090, 0.136, 0.102, 0.004), (1.170, 0.146, 0.110, 0.006), (1.270, 0.164, 0.112, 0.004), (1.350, 0.160, 0.098, 0.0),
            (1.420, 0.108, 0.078, -0.006), (1.455, 0.056, 0.058, -0.010), (1.505, 0.048, 0.052, -0.004), (1.540, 0.062, 0.078, 0.016),
            (1.590, 0.090, 0.102, 0.014), (1.655, 0.098, 0.110, 0.008), (1.720, 0.088, 0.096, 0.002), (1.765, 0.052, 0.058, 0.0),
        ],
        armpit=6, neck=9, belt=3,
        arm_radii=(0.053, 0.042, 0.031), leg_radii=(0.086, 0.060, 0.045, 0.044),
        paints={"shirt": "moss", "trousers": "canvas", "boots": "leather", "skin": "skin brown", "sleeve": "white", "glove": "skin brown"},
        rolls_deg={"spine": 35, "chest": -50, "neck": 90, "head": -120, "arm.L": 77, "arm.R": -12, "elbow.L": -143, "elbow.R": 64, "hand.L": 18, "leg.L": -33, "leg.R": 151, "knee.R": 45, "ankle.L": 100, "tail.2": 60},
        extra=bones,
    )  # fmt: skip
    mesh = Mesh()
    figure.skin(mesh)
    head, trunk = only("head"), figure.spine_weights()
    face(mesh, head, point(0, -0.113, 1.655), 0.098, 0.040, (0.0145, 0.020))
    for flip in (1.0, -1.0):
        base = point(flip * 0.062, 0.015, 1.740)
        mesh.tube(
            [(base, X * 0.040, Y * 0.022), (base + point(flip * 0.018, 0, 0.065), X * 0.028, Y * 0.015)], 6, "fox", head,
            (base, base + point(flip * 0.030, -0.004, 0.150)),
        )  # fmt: skip
    mesh.tube(
        [(point(0, 0.016, z), X * w, FRONT * d) for z, w, d in ((1.560, 0.070, 0.066), (1.620, 0.098, 0.096), (1.690, 0.108, 0.106), (1.750, 0.094, 0.102), (1.790, 0.050, 0.056))],
        12, "fox", head, (point(0, 0.03, 1.55), point(0, 0, 1.80)),
    )  # fmt: skip
    mesh.blob(point(0.02, -0.085, 1.745), point(0.075, 0.040, 0.035), "fox", head, 8, 5, up=Z + 0.25 * X)
    # Tail, short cape, belt, letter satchel.
    sizes = (0.030, 0.055, 0.080, 0.092, 0.078, 0.045)
    steps = np.gradient(np.array(tail), axis=0)
    rows = []
    for spot, step, size in zip(tail, steps, sizes, strict=True):
        way = step / np.linalg.norm(step)
        rows.append((spot, X * size, np.cross(X, way) * size))
    chain = along([b.name for b in bones], tail, [0.08] * 4)
    mesh.tube(rows, 10, "fox", chain, (tail[0] - point(0, 0.03, 0), tail[-1] + point(0, 0.02, 0.075)), ("fox", "fox", "fox", "fox", "white"))  # fmt: skip
    mesh.hoop(
        [
            (point(0, 0.004, z), X * w, FRONT * d)
            for z, w, d in ((1.475, 0.066, 0.070), (1.430, 0.128, 0.100), (1.33, 0.205, 0.140), (1.235, 0.232, 0.160), (1.245, 0.220, 0.148), (1.33, 0.192, 0.127), (1.42, 0.110, 0.084), (1.455, 0.050, 0.054))
        ], 16, "brick", trunk,
    )  # fmt: skip
    mesh.hoop([(point(0, 0, z), X * w, FRONT * d) for z, w, d in ((1.000, 0.160, 0.122), (1.035, 0.152, 0.116), (1.035, 0.125, 0.090), (1.000, 0.13, 0.095))], 14, "leather", trunk)  # fmt: skip
    bag = point(0.195, 0.02, 0.90)
    mesh.tube(
        [(bag + point(x, 0, 0), Y * 0.095, Z * 0.070) for x in (-0.030, 0.030)],
        8,
        "leather",
        only("hips"),
        power=0.5,
    )
    return figure, mesh
