"""The performer: a plain body in a sensor suit, so that the take can be seen on somebody."""

from __future__ import annotations

import numpy as np
from ferry_figure import Figure
from ferry_mesh import FRONT, Mesh, Weigher, Z, only, point
from ferry_suit import SIDES, suit


def performer() -> tuple[Figure, Mesh]:
    """A figure with the suit's own joints and names, and its mesh with a sensor on every limb."""
    figure = _figure()
    mesh = Mesh()
    figure.skin(mesh)
    mesh.blob(point(0, -0.106, 1.640), point(0.070, 0.030, 0.035), "ink", only("Head"), 8, 4)
    skeleton = suit()
    spots = dict(zip(skeleton.names, skeleton.rest_model[1], strict=True))
    for side in SIDES:
        for bone, end, lift in (
            ("UpperArm", "LowerArm", 0.052 * Z),
            ("LowerArm", "Hand", 0.042 * Z),
            ("UpperLeg", "LowerLeg", 0.085 * FRONT),
            ("LowerLeg", "Foot", 0.060 * FRONT),
        ):
            middle = 0.45 * spots[side + bone] + 0.55 * spots[side + end]
            _sensor(mesh, middle + lift, only(side + bone))
    _sensor(mesh, point(0, -0.118, 1.300), only("UpperChest"))
    _sensor(mesh, point(0, -0.128, 0.960), only("Hips"))
    return figure, mesh


def _sensor(mesh: Mesh, spot: np.ndarray, weigh: Weigher) -> None:
    mesh.blob(spot, point(0.026, 0.020, 0.026), "sensor", weigh, 6, 4)


def _figure() -> Figure:
    skeleton = suit()
    spots = dict(zip(skeleton.names, skeleton.rest_model[1], strict=True))
    tips = {
        skeleton.names[joint]: spot
        for joint, spot in zip(skeleton.tip_joints, skeleton.rest_tips, strict=True)
    }
    spine = ("Hips", "Spine", "Chest", "UpperChest", "Neck", "Head")
    arm = ("Shoulder", "UpperArm", "LowerArm", "Hand")
    leg = ("UpperLeg", "LowerLeg", "Foot", "Toes")
    return Figure(
        name="performer",
        spine=[*(spots[name] for name in spine), tips["Head"]],
        arm=[*(spots["Left" + name] for name in arm), tips["LeftHand"]],
        leg=[*(spots["Left" + name] for name in leg), tips["LeftToes"]],
        names=(spine, [f"{{}}{name}" for name in arm], [f"{{}}{name}" for name in leg]),
        letters=SIDES,
        torso=[
            (0.830, 0.155, 0.110, 0.000),
            (0.890, 0.178, 0.124, 0.000),
            (0.950, 0.175, 0.122, 0.002),
            (1.020, 0.158, 0.114, 0.004),
            (1.100, 0.154, 0.110, 0.006),
            (1.200, 0.168, 0.116, 0.004),
            (1.300, 0.180, 0.116, 0.000),
            (1.385, 0.172, 0.098, -0.004),
            (1.445, 0.110, 0.076, -0.008),
            (1.470, 0.060, 0.060, -0.008),
            (1.520, 0.054, 0.058, 0.000),
            (1.550, 0.070, 0.084, 0.014),
            (1.600, 0.090, 0.104, 0.010),
            (1.665, 0.094, 0.108, 0.004),
            (1.720, 0.078, 0.088, 0.000),
            (1.745, 0.044, 0.050, 0.000),
        ],
        armpit=6,
        neck=9,
        arm_radii=(0.056, 0.045, 0.033),
        leg_radii=(0.090, 0.062, 0.047, 0.048),
        paints={
            "shirt": "suit",
            "sleeve": "suit",
            "trousers": "suit",
            "boots": "leather",
            "skin": "skin warm",
            "glove": "skin warm",
        },
    )
