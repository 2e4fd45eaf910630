"""How tall a body is, by its bones."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.body.upright import body_height
from takemill.maths import quat

LEG = [(f"{side}{part}", x, z) for side, x in (("left", 0.1), ("right", -0.1))
       for part, z in (("UpperLeg", 0.0), ("LowerLeg", -0.4), ("Foot", -0.8))]  # fmt: skip
TRUNK = [("spine", 0.0, 0.1), ("neck", 0.0, 0.5)]
ABOVE = {"LowerLeg": "UpperLeg", "Foot": "LowerLeg"}


def body(extra: list[tuple[str, float, float]], head_m: float = 0.0) -> tuple[Skeleton, BodyMap]:
    """A body of legs of 0.8 m below hips at the origin, and what else it has: part, x and z."""
    parts = [("hips", 0.0, 0.0), *LEG, *extra]
    at = {part: np.array([x, 0.0, z]) for part, x, z in parts}
    above: dict[str, str] = {}
    for part, _, _ in parts:
        side = next((one for one in ("left", "right") if part.startswith(one)), "")
        if part != "hips":
            above[part] = side + ABOVE[part[len(side) :]] if part[len(side) :] in ABOVE else "hips"
    above |= {"neck": "spine", "head": "neck"}
    names = [part for part, _, _ in parts]
    offsets = np.array([at[part] - (at[above[part]] if part != "hips" else 0) for part in names])
    parents = tuple(names.index(above[part]) if part != "hips" else -1 for part in names)
    tips = ((names.index("head"),), np.array([[0.0, 0.0, head_m]])) if head_m else ((), np.zeros((0, 3)))
    skeleton = Skeleton(tuple(names), parents, offsets, np.tile(quat.IDENTITY, (len(names), 1)), *tips)
    return skeleton, BodyMap({part: place for place, part in enumerate(names)})


@pytest.mark.parametrize(
    ("extra", "head_m", "height_m"),
    [
        ([], 0.0, 0.8 / 0.49),  # legs alone
        (TRUNK, 0.0, (0.8 + 0.5) / 0.78),
        ([*TRUNK, ("head", 0.0, 0.6)], 0.2, 0.8 * 1.08 + 0.6 + 0.2),
        ([*TRUNK, ("head", 0.0, 0.6)], 0.27, 0.8 * 1.08 + 0.6 + 0.27),
        ([*TRUNK, ("head", 0.0, 0.6)], 0.5, 0.8 * 1.08 + 0.6 + 0.28),  # a hat
    ],
)
def test_a_body_is_as_tall_as_its_bones_and_what_people_have_beyond_them(extra, head_m, height_m):
    """Shares of ANSUR II; a head is no longer than 0.35 of a leg."""
    assert body_height(*body(extra, head_m)) == pytest.approx(height_m)
