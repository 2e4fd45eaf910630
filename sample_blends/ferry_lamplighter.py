"""The lamplighter: short and big-headed, in a T-pose; a lamp on a pole, and a face with shape keys."""

from __future__ import annotations

from ferry_figure import Bone, Figure
from ferry_mesh import Mesh, X, Y, Z, along, only, point
from ferry_wear import add_face, add_lantern, add_pole

_FIGURE = Figure(
    name="lamplighter",
    spine=[point(0, 0, z) for z in (0.455, 0.520, 0.590, 0.670, 0.775, 0.825, 1.240)],
    arm=[
        point(0.020, 0.000, 0.745),
        point(0.125, 0.004, 0.735),
        point(0.275, 0.006, 0.735),
        point(0.410, 0.000, 0.735),
        point(0.520, 0.000, 0.735),
    ],
    leg=[
        point(0.072, 0.000, 0.435),
        point(0.074, -0.006, 0.245),
        point(0.076, 0.008, 0.062),
        point(0.077, -0.080, 0.018),
        point(0.077, -0.140, 0.014),
    ],
    names=(
        ("pelvis", "spine.001", "spine.002", "spine.003", "neck", "head"),
        ("clavicle.{}", "arm_upper.{}", "arm_lower.{}", "hand.{}"),
        ("leg_upper.{}", "leg_lower.{}", "foot.{}", "toes.{}"),
    ),
    torso=[
        (0.385, 0.125, 0.092, 0.000),
        (0.430, 0.150, 0.112, 0.000),
        (0.475, 0.152, 0.118, 0.006),
        (0.530, 0.146, 0.114, 0.010),
        (0.585, 0.138, 0.106, 0.008),
        (0.640, 0.132, 0.098, 0.004),
        (0.690, 0.128, 0.090, 0.002),
        (0.732, 0.118, 0.080, 0.000),
        (0.772, 0.084, 0.064, 0.000),
        (0.795, 0.050, 0.050, 0.000),
        (0.815, 0.046, 0.048, 0.000),
        (0.838, 0.100, 0.098, 0.010),
        (0.890, 0.158, 0.146, 0.012),
        (0.965, 0.180, 0.166, 0.008),
        (1.050, 0.176, 0.166, 0.002),
        (1.130, 0.140, 0.138, 0.000),
        (1.180, 0.080, 0.082, 0.000),
    ],
    armpit=6,
    neck=9,
    arm_radii=(0.044, 0.036, 0.027),
    leg_radii=(0.068, 0.052, 0.042, 0.042),
    paints={
        "shirt": "mustard",
        "sleeve": "mustard",
        "trousers": "plum",
        "boots": "leather",
        "skin": "skin pale",
        "glove": "leather",
    },
    extra=[Bone("prop.lantern", "spine.003", point(0.05, 0.165, 0.55), point(0.05, 0.165, 0.85))],
)


def lamplighter() -> tuple[Figure, Mesh]:
    """Measures and mesh; the shape keys are blink.L, blink.R, brows_up, smile and mouth_open."""
    mesh = Mesh()
    _FIGURE.skin(mesh)
    head, trunk = only("head"), _FIGURE.spine_weights()
    add_face(mesh, head, point(0, -0.168, 0.962), 0.165, 0.070, (0.026, 0.038))
    coat = (
        (0.660, 0.152, 0.116),
        (0.540, 0.166, 0.132),
        (0.420, 0.178, 0.142),
        (0.285, 0.204, 0.164),
        (0.292, 0.194, 0.154),
        (0.420, 0.162, 0.128),
        (0.540, 0.148, 0.116),
        (0.660, 0.120, 0.088),
    )
    mesh.band(coat, 10, "plum", trunk, ahead=0.006)
    throat = along(("spine.003", "neck"), [point(0, 0, z) for z in (0.60, 0.79, 0.90)], (0.03,))
    scarf = ((0.765, 0.100), (0.790, 0.112), (0.818, 0.098), (0.800, 0.045))
    mesh.band([(z, r, r * 0.95) for z, r in scarf], 10, "brick", throat, ahead=0.006, power=1)
    cap = (
        (1.052, 0.176),
        (1.050, 0.197),
        (1.105, 0.193),
        (1.110, 0.176),
        (1.190, 0.138),
        (1.270, 0.085),
        (1.330, 0.034),
    )
    mesh.cap(
        [(z, r, r * 0.95) for z, r in cap],
        12,
        "brick",
        head,
        (point(0, 0, 1.055), point(0, 0.03, 1.340)),
        ("mustard", "mustard", "mustard", "brick", "brick", "brick"),
        lean=0.1,
    )
    mesh.blob(point(0, 0.030, 1.352), point(0.042, 0.042, 0.040), "mustard", head, 6, 4)
    hair = ((0.850, 0.100, 0.085), (0.920, 0.174, 0.142), (1.000, 0.192, 0.156), (1.070, 0.180, 0.150))
    mesh.cap(hair, 10, "straw", head, (point(0, 0.036, 0.840), point(0, 0.02, 1.090)))
    _lamp(mesh)
    return _FIGURE, mesh


def _lamp(mesh: Mesh) -> None:
    staff, back = only("prop.lantern"), point(0.05, 0.165, 0.0)
    pack = [(point(0, 0.150, z), X * 0.085, Y * 0.045) for z in (0.530, 0.700)]
    mesh.tube(pack, 8, "leather", only("spine.003"), power=0.5)
    add_pole(mesh, back + 0.48 * Z, back + 1.60 * Z, 0.011, "wood", staff)
    hook = back + point(0, -0.33, 1.57)
    add_pole(mesh, back + point(0, 0.03, 1.585), hook + point(0, -0.02, 0.008), 0.009, "iron", staff)
    add_lantern(mesh, hook, staff)
