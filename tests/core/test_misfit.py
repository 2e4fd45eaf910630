"""How far joints are bent as no joint bends, in poses of single joints; limits by eye, no source."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.health import misfit
from takemill.maths import quat

LEFT, DOWN = np.array([1.0, 0.0, 0.0]), np.array([0.0, 0.0, -1.0])


def judged(part: str, *turns_deg: tuple[float, float, float]) -> float:
    """Degrees too much of a left limb's part, from rotation vectors that are applied one after the other.

    Axes are a standing body's: +X to its left, -Y ahead, +Z up; an arm rests to the side, a thigh down.
    """
    turn = quat.IDENTITY
    for vector in turns_deg:
        turn = quat.mul(quat.exp(np.radians(vector)), turn)
    return float(sum(misfit._JUDGES[part](turn[None])).sum())


@pytest.mark.parametrize(
    ("part", "turns_deg"),
    [
        ("UpperArm", [(0, 0, 0)]),
        ("UpperArm", [(0, 80, 0)]),  # hanging
        ("UpperArm", [(0, -90, 0)]),  # raised
        ("UpperArm", [(0, 0, -90)]),  # pointing ahead
        ("UpperArm", [(0, 0, -130)]),  # across the chest
        ("UpperArm", [(0, 0, 60)]),  # as far back as it goes
        ("LowerArm", [(0, 0, -150)]),  # bent to the shoulder
        ("LowerArm", [(90, 0, 0)]),  # turned about itself
        ("Hand", [(0, 80, 0)]),
        ("UpperLeg", [(-110, 0, 0)]),  # lifted ahead
        ("UpperLeg", [(40, 0, 0)]),
        ("UpperLeg", [(0, 30, 0)]),  # across the other one
        ("UpperLeg", [(0, -80, 0)]),  # to the side
    ],
)
def test_what_a_body_does_is_no_misfit(part, turns_deg) -> None:
    assert judged(part, *turns_deg) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(
    ("part", "turns_deg", "least"),
    [
        ("UpperArm", [(0, 130, 0)], 15),  # down and into the ribs
        ("UpperArm", [(0, 0, 90)], 20),  # straight back
        ("UpperArm", [(140, 0, 0)], 25),  # spun about itself
        ("LowerArm", [(0, 0, 60)], 45),  # bent backwards
        ("LowerArm", [(0, 50, 0)], 25),  # bent to its side
        ("LowerArm", [(130, 0, 0)], 25),
        ("Hand", [(0, 120, 0)], 30),
        ("UpperLeg", [(80, 0, 0)], 30),  # far back
        ("UpperLeg", [(0, 70, 0)], 25),  # through the other one
        ("UpperLeg", [(0, 0, 90)], 25),
    ],
)
def test_what_no_body_does_is_one_and_grows(part, turns_deg, least) -> None:
    found = judged(part, *turns_deg)
    assert found > least
    assert judged(part, *(tuple(0.9 * np.array(one)) for one in turns_deg)) < found


def test_an_arm_ahead_of_the_chest_passes_where_one_beside_it_is_in_the_ribs() -> None:
    """Both point 40 degrees to the other side; one of them 50 degrees ahead too."""
    assert judged("UpperArm", (0, 0, -130)) == 0.0
    assert judged("UpperArm", (0, 130, 0)) == pytest.approx(40 - 20)
