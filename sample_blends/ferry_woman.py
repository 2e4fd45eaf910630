"""The ferrywoman: broad, in an A-pose; straw hat, apron, an oar and its strap across her back, on bones."""

from __future__ import annotations

from ferry_figure import Bone, Figure
from ferry_mesh import Mesh, X, Y, Z, along, only, point
from ferry_wear import add_face, add_pole

_STRAP = [point(-0.115, 0.245, z) for z in (1.45, 1.33, 1.21, 1.10)]  # from the oar down along her back
_STRAP_BONES = [
    Bone(f"strap.{k}", f"strap.{k - 1}" if k else "prop.oar", _STRAP[k], _STRAP[k + 1])
    for k in range(len(_STRAP) - 1)
]
_FIGURE = Figure(
    name="ferrywoman",
    spine=[point(0, 0, z) for z in (0.860, 0.980, 1.130, 1.370, 1.450, 1.700)],
    arm=[
        point(0.035, 0.000, 1.320),
        point(0.215, 0.010, 1.300),
        point(0.405, 0.015, 1.105),
        point(0.575, 0.000, 0.935),
        point(0.695, -0.010, 0.820),
    ],
    leg=[
        point(0.120, 0.000, 0.820),
        point(0.125, -0.008, 0.450),
        point(0.130, 0.012, 0.090),
        point(0.133, -0.125, 0.022),
        point(0.135, -0.205, 0.018),
    ],
    names=(
        ("hips", "spine", "chest", "neck", "head"),
        ("shoulder.{}", "upper_arm.{}", "forearm.{}", "hand.{}"),
        ("thigh.{}", "shin.{}", "foot.{}", "toe.{}"),
    ),
    torso=[
        (0.740, 0.215, 0.150, 0.000),
        (0.820, 0.245, 0.178, 0.000),
        (0.900, 0.248, 0.188, 0.012),
        (0.980, 0.235, 0.182, 0.018),
        (1.060, 0.222, 0.172, 0.015),
        (1.140, 0.222, 0.168, 0.018),
        (1.215, 0.222, 0.150, 0.012),
        (1.285, 0.210, 0.128, 0.000),
        (1.350, 0.150, 0.098, -0.004),
        (1.385, 0.076, 0.075, -0.004),
        (1.425, 0.064, 0.066, 0.000),
        (1.462, 0.078, 0.088, 0.018),
        (1.510, 0.106, 0.112, 0.016),
        (1.575, 0.113, 0.120, 0.010),
        (1.640, 0.102, 0.108, 0.004),
        (1.690, 0.062, 0.066, 0.000),
    ],
    armpit=6,
    neck=9,
    arm_radii=(0.072, 0.058, 0.042),
    leg_radii=(0.122, 0.085, 0.062, 0.058),
    paints={
        "shirt": "river blue",
        "sleeve": "river blue",
        "trousers": "canvas",
        "boots": "leather",
        "skin": "skin warm",
        "glove": "skin warm",
    },
    extra=[Bone("prop.oar", "chest", point(0.10, 0.24, 1.02), point(-0.05, 0.24, 1.32)), *_STRAP_BONES],
)


def ferrywoman() -> tuple[Figure, Mesh]:
    """Her measures and her mesh."""
    mesh = Mesh()
    _FIGURE.skin(mesh)
    head, trunk = only("head"), _FIGURE.spine_weights()
    add_face(mesh, head, point(0, -0.130, 1.570), 0.105, 0.042, (0.017, 0.023))
    apron = (
        (1.020, 0.250, 0.198),
        (0.900, 0.275, 0.215),
        (0.620, 0.318, 0.245),
        (0.630, 0.304, 0.231),
        (0.900, 0.255, 0.195),
        (1.020, 0.225, 0.172),
    )
    mesh.band(apron, 10, "brick", trunk, ahead=0.012)
    belt = ((1.000, 0.258, 0.204), (1.045, 0.252, 0.200), (1.045, 0.21, 0.16), (1.000, 0.21, 0.16))
    mesh.band(belt, 10, "leather", trunk, ahead=0.014)
    hat = ((1.615, 0.116), (1.640, 0.255), (1.652, 0.252), (1.650, 0.118), (1.730, 0.104), (1.755, 0.060))
    mesh.cap(
        [(z, r, r * 1.04) for z, r in hat],
        12,
        "straw",
        head,
        (point(0, -0.004, 1.615), point(0, -0.004, 1.762)),
        ("straw", "straw", "straw", "brick", "straw"),
    )
    hair = ((1.480, 0.075, 0.070), (1.530, 0.114, 0.103), (1.600, 0.121, 0.116), (1.650, 0.105, 0.105))
    mesh.cap(hair, 10, "dark hair", head, (point(0, 0.016, 1.470), point(0, 0.010, 1.660)))
    mesh.blob(point(0, 0.125, 1.520), point(0.065, 0.055, 0.062), "dark hair", head, 6, 4)
    add_pole(
        mesh, point(0.36, 0.215, 0.50), point(-0.30, 0.215, 1.82), 0.017, "wood", only("prop.oar"), blade=True
    )
    _strap(mesh)
    return _FIGURE, mesh


def _strap(mesh: Mesh) -> None:
    """What ties the oar: a flat end of leather that hangs from it."""
    rows = [(spot, X * 0.020, Y * 0.005) for spot in _STRAP]
    chain = along([bone.name for bone in _STRAP_BONES], _STRAP, [0.03] * 2)
    mesh.tube(rows, 6, "leather", chain, (_STRAP[0] + 0.01 * Z, _STRAP[-1] - 0.02 * Z))
