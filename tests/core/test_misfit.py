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


@pytest.mark.parametrize(
    ("part", "turn_deg"),
    [
        ("UpperArm", (0, 90 + 20, 0)),  # into the ribs
        ("UpperArm", (0, 0, 65)),  # back
        ("UpperArm", (110, 0, 0)),  # spun about itself
        ("UpperArm", (-110, 0, 0)),
        ("LowerArm", (0, 20, 0)),  # to either side of its hinge
        ("LowerArm", (0, -20, 0)),
        ("LowerArm", (0, 0, 10)),  # bent backwards
        ("LowerArm", (0, 0, -160)),  # bent
        ("LowerArm", (100, 0, 0)),
        ("LowerArm", (-100, 0, 0)),
        ("Hand", (0, 85, 0)),
        ("Hand", (0, 0, -85)),
        ("UpperLeg", (45, 0, 0)),  # back
        ("UpperLeg", (0, 40, 0)),  # across the other one
        ("UpperLeg", (0, 0, 60)),  # spun about itself
        ("UpperLeg", (0, 0, -60)),
        ("LowerLeg", (0, 10, 0)),  # to either side of its hinge
        ("LowerLeg", (0, -10, 0)),
        ("LowerLeg", (-8, 0, 0)),  # bent forwards
        ("LowerLeg", (0, 0, 25)),
        ("LowerLeg", (0, 0, -25)),
        ("Foot", (-35, 0, 0)),  # toes up
        ("Foot", (65, 0, 0)),  # toes down
        ("Foot", (0, 0, 30)),  # toes to either side
        ("Foot", (0, 0, -30)),
        ("Foot", (0, 35, 0)),  # on either edge of the sole
        ("Foot", (0, -35, 0)),
    ],
)
def test_each_joint_may_turn_so_far_and_what_is_more_is_counted_in_degrees(part, turn_deg) -> None:
    """Up to the limit nothing; half a degree and 4 degrees beyond it, as much."""
    angle = np.abs(turn_deg).max()
    for beyond in (-1.0, 0.5, 4.0):
        turned = tuple(np.array(turn_deg) * (angle + beyond) / angle)
        assert judged(part, turned) == pytest.approx(max(beyond, 0.0), abs=1e-9)


def test_one_wild_frame_counts_for_60_degrees_at_most() -> None:
    """A knee bent forwards by 65, 67, 69 and 90 degrees; 8 are allowed."""
    found = [judged("LowerLeg", (-angle, 0, 0)) for angle in (65, 67, 69, 90)]
    assert found == pytest.approx([57, 59, 60, 60])


def test_an_arm_ahead_of_the_chest_passes_where_one_beside_it_is_in_the_ribs() -> None:
    """Both point 40 degrees to the other side; one of them 50 degrees ahead too."""
    assert judged("UpperArm", (0, 0, -130)) == 0.0
    assert judged("UpperArm", (0, 130, 0)) == pytest.approx(40 - 20)
