"""Where soles lie: as the mesh shows them, and by anthropometry where nothing shows them."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import fit_bodies
import rigs
import small_takes
from glb_reader import read_glb
from skinned_soles import sole_heights
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, leg_length
from takemill.body.motion import Motion
from takemill.body.posed import Posed
from takemill.body.skeleton import Skeleton
from takemill.feet.soles import ball_drop_m, foot_points, sole_offsets, touching_points
from takemill.files.glb_rig import read_rig
from takemill.maths import quat
from takemill.shell import cli

UP = np.array([0.0, 0.0, 1.0])
RECIPE = 'name = "ferry"\nrate = 30\n[[clip]]\nname = "walk"\nfrom = 3.5\nto = 8\nloop = true\n'


def box(low, high) -> np.ndarray:
    """The corners (8, 3) of a box."""
    return np.array(
        [[x, y, z] for x in (low[0], high[0]) for y in (low[1], high[1]) for z in (low[2], high[2])]
    )


def shod(thick_m: float) -> tuple[Skeleton, BodyMap]:
    """A body whose shoes, boxes on its left foot and toes, reach so far below the lowest tip."""
    skeleton, parts = fit_bodies.body(fit_bodies.Build())
    foot, toes = parts.require("leftFoot"), parts.require("leftToes")
    rotations, positions = skeleton.reference_model
    x, y, floor = *positions[foot][:2], skeleton.reference_tips[:, 2].min() - thick_m
    ball = positions[toes][1]
    vertices = {
        foot: box((x - 0.04, ball, floor), (x + 0.04, y + 0.07, floor + 0.1)),
        toes: box((x - 0.04, ball - 0.07, floor), (x + 0.04, ball, floor + 0.05)),
        parts.require("head"): positions[parts.require("head")] + box((-0.1, -0.1, 0), (0.1, 0.1, 0.2)),
    }
    owners, points = touching_points(vertices, positions, UP)
    joints = np.array(owners)
    inside = quat.rotate(quat.inv(rotations[joints]), points - positions[joints])
    return replace(skeleton, sole_joints=owners, sole_points=inside), parts


def stand(skeleton: Skeleton) -> Motion:
    turned = np.tile(skeleton.rest_rotation, (2, 1, 1))
    return Motion(skeleton, 30.0, turned, np.tile(skeleton.rest_translation[0], (2, 1)))


def test_a_shoe_lowers_the_sole_by_its_thickness_and_says_where_the_heel_is() -> None:
    """Exact: a box whose corner lies 70 mm behind the ankle touches there, however far its toes are up."""
    bare, parts = fit_bodies.body(fit_bodies.Build())
    skeleton, _ = shod(0.025)
    assert set(skeleton.sole_joints) == {parts.require("leftFoot"), parts.require("leftToes")}
    left, right = (parts.feet.index(f"{side}Foot") for side in ("left", "right"))
    before, after = (foot_points(stand(one), parts)[0] for one in (bare, skeleton))
    assert after[left, :, 2] == pytest.approx(before[left, :, 2] - 0.025, abs=1e-9)
    assert after[right] == pytest.approx(before[right], abs=1e-12)
    ankle = skeleton.reference_model[1][parts.require("leftFoot")]
    ahead = after[left, 1] - after[left, 0]
    ahead /= np.linalg.norm(ahead)
    assert (ankle - after[left, 0]) @ ahead == pytest.approx(0.07, abs=1e-3)


def test_a_foot_of_joints_alone_stands_as_deep_as_anthropometry_says() -> None:
    """A toes joint that lies higher is no sole.

    0.08 of the leg, as ankles of people lie over their soles (test_proportions.py).
    """
    skeleton, parts = fit_bodies.body(fit_bodies.Build())
    bare = replace(skeleton, tip_joints=(), tip_offsets=np.zeros((0, 3)))
    rotations = bare.reference_model[0]
    leg = leg_length(bare, parts)
    for k, part in enumerate(parts.feet):
        depth = quat.rotate(rotations[parts.require(part)], sole_offsets(bare, parts)[k])[:, 2]
        toes = bare.reference_model[1][parts.require(part.replace("Foot", "Toes"))]
        above = bare.reference_model[1][parts.require(part)] - toes
        assert depth == pytest.approx(-max(0.08 * leg, above[2]), rel=0.02)


def test_toes_that_lie_flat_hold_the_ball_up_while_the_heel_rises() -> None:
    """Exact: of a foot pitched by 40 degrees, with a toes joint h over the floor, h (1 - cos 40)."""
    skeleton, parts = shod(0.025)
    foot, toes = parts.require("leftFoot"), parts.require("leftToes")
    motion = stand(skeleton)
    rotations, positions = skeleton.reference_model
    pitch = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(40.0))
    turned = motion.rotations.copy()
    above = rotations[skeleton.parents[foot]]
    turned[1, foot] = quat.mul(quat.inv(above), quat.mul(pitch, rotations[foot]))
    turned[1, toes] = quat.mul(quat.inv(quat.mul(pitch, rotations[foot])), rotations[toes])
    raised = motion.with_rotations(turned)
    height = positions[toes][2] - foot_points(motion, parts)[0, 0, 1, 2]
    turned = np.stack([rotations[foot], quat.mul(pitch, rotations[foot])])
    own = quat.rotate(turned, sole_offsets(skeleton, parts)[0, 1])
    ball = raised.model()[1][:, foot] + own
    drop = ball_drop_m(Posed(raised), parts, "leftFoot", ball)
    assert drop[1] == pytest.approx(-height * (1 - np.cos(np.radians(40.0))), abs=1e-6)
    assert drop[0] == 0.0
    assert foot_points(raised, parts)[1, 0, 1, 2] == pytest.approx(ball[1, 2] + drop[1], abs=1e-12)


def test_parts_of_a_skeleton_keep_their_soles() -> None:
    skeleton, parts = shod(0.01)
    foot = parts.require("leftFoot")
    chain = [*skeleton.path_to(foot), *skeleton.subtree(foot)[1:]]
    part = skeleton.part(chain)
    assert len(part.sole_points) == len(skeleton.sole_points)
    assert {part.names[joint] for joint in part.sole_joints} == {
        skeleton.names[joint] for joint in skeleton.sole_joints
    }
    assert [joint - 1 for joint in skeleton.under_root("above").sole_joints] == list(skeleton.sole_joints)
    with pytest.raises(InputError, match="sole"):
        replace(skeleton, sole_joints=(99,) * len(skeleton.sole_joints))


def test_a_sole_of_a_glb_is_as_low_as_its_lowest_vertex() -> None:
    skeleton, _ = fit_bodies.body(fit_bodies.BROAD)
    rig = read_rig(rigs.character(skeleton), "broad")
    glb = read_glb(rigs.character(skeleton))
    heights = glb.accessor(glb.json["meshes"][0]["primitives"][0]["attributes"]["POSITION"])[:, 1]
    rotations, positions = rig.skeleton.reference_model
    joints = np.array(rig.skeleton.sole_joints)
    points = positions[joints] + quat.rotate(rotations[joints], rig.skeleton.sole_points)
    assert points[:, 2].min() == pytest.approx(heights.min(), abs=1e-6)


@pytest.mark.parametrize("build", [fit_bodies.TOON, fit_bodies.BROAD])
def test_skinned_soles_of_a_packed_character_stand_on_the_floor(build, tmp_path) -> None:
    """While planted within 3 mm, by a reader and a skinning that share nothing with the engine."""
    skeleton, parts = fit_bodies.body(build)
    (tmp_path / "body.glb").write_bytes(rigs.character(skeleton))
    (tmp_path / "r.toml").write_text(RECIPE)
    take, out = small_takes.write(tmp_path), tmp_path / "set"
    arguments = ["--recipe", str(tmp_path / "r.toml"), "--to", str(tmp_path / "body.glb"), "--out", str(out)]
    assert cli.main(["pack", str(take), *arguments]) == 0
    (clip,) = json.loads((out / "clips.json").read_text())["clips"]
    glb = read_glb((out / clip["file"]).read_bytes())
    times = np.arange(clip["frames"]) / clip["rate"]
    for foot, spans in clip["contacts"].items():
        heights = sole_heights(glb, "walk", times, skeleton.names[parts.require(foot)])
        planted = np.concatenate([heights[start:stop] for start, stop in spans])
        assert np.abs(planted).max() < 0.003
