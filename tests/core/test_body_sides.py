"""Left and right, told by knees and feet that are known."""

from __future__ import annotations

import numpy as np
import pytest

import synthetic
from takemill.base.checks import Array
from takemill.body.body_parts import BodyMap
from takemill.body.body_sides import forwardness, has_named_sides, sides_exchanged
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.body.upright import Poses
from takemill.maths import quat

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())


def posed(knee_deg: float = 0.0, toes_deg: float = 0.0, yaw_deg: float = 0.0) -> Poses:
    """One pose: thighs lifted and shins back by as much as the knees bend, feet turned about the vertical."""
    skeleton = synthetic.skeleton()
    rotations = skeleton.rest_rotation[None].copy()
    for side in ("left", "right"):
        for part, turn in (
            ("upper_leg", [-knee_deg / 2, 0, 0]),
            ("lower_leg", [knee_deg, 0, 0]),
            ("foot", [-knee_deg / 2, 0, toes_deg]),
        ):
            rotations[0, skeleton.index(f"{side}_{part}")] = quat.exp(np.radians(turn))
    rotations[0, 0] = quat.from_yaw(np.radians(yaw_deg))
    return Poses(*Motion(skeleton, 30.0, rotations, skeleton.rest_translation[:1]).model())


def without_feet() -> Skeleton:
    """The body with nothing below its ankles."""
    whole = synthetic.skeleton()
    left = [k for k, name in enumerate(whole.names) if "toes" not in name]
    return Skeleton(
        tuple(whole.names[k] for k in left),
        tuple(left.index(p) if (p := whole.parents[k]) >= 0 else -1 for k in left),
        whole.rest_translation[left],
        whole.rest_rotation[left],
    )


def of(poses: Poses, body: BodyMap = BODY) -> float:
    return forwardness(synthetic.skeleton(), poses, body)


@pytest.mark.parametrize("yaw_deg", [0.0, 70.0, 200.0])
def test_feet_tell_the_sides_of_straight_legs(yaw_deg: float) -> None:
    assert of(posed(yaw_deg=yaw_deg)) == 1.0
    assert of(posed(yaw_deg=yaw_deg), sides_exchanged(BODY)) == -1.0
    assert of(posed(yaw_deg=yaw_deg, toes_deg=180.0)) == -1.0, "feet that point backwards"


@pytest.mark.parametrize("knee_deg", [5.0, 60.0])
def test_knees_tell_the_sides_of_legs_without_feet(knee_deg: float) -> None:
    skeleton = without_feet()
    body = BodyMap.from_names(skeleton, {k: v for k, v in synthetic.parts().items() if "Toes" not in k})
    whole = posed(knee_deg)
    kept = [synthetic.skeleton().index(name) for name in skeleton.names]
    poses = Poses(whole.rotations[:, kept], whole.positions[:, kept])
    assert forwardness(skeleton, poses, body) > 0.2
    assert forwardness(skeleton, poses, sides_exchanged(body)) < -0.2


def test_a_standing_body_outweighs_a_moment_with_its_knees_out_of_place() -> None:
    """The median over the poses: two of five lie."""
    poses: list[Array] = [
        np.concatenate(part)
        for part in zip(
            *(
                (one.rotations, one.positions)
                for one in [posed(20.0)] * 3 + [posed(-60.0, toes_deg=180.0)] * 2
            ),
            strict=True,
        )
    ]
    assert of(Poses(*poses)) == 1.0


def test_exchanged_sides_are_the_other_ones_and_twice_is_none() -> None:
    other = sides_exchanged(BODY)
    assert other.require("leftFoot") == BODY.require("rightFoot")
    assert other.require("rightHand") == BODY.require("leftHand")
    assert other.require("hips") == BODY.require("hips")
    assert dict(sides_exchanged(other).joints) == dict(BODY.joints)


def test_names_tell_sides_only_where_the_legs_have_them() -> None:
    assert has_named_sides(synthetic.skeleton(), BODY)
    assert not has_named_sides(synthetic.skeleton(), sides_exchanged(BODY))
