"""Where soles lie: as the mesh shows them, and by anthropometry where nothing shows them."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import NamedTuple

import numpy as np
import pytest

import fit_bodies
import rigs
import small_takes
import synthetic
from glb_reader import read_glb, z_up
from shoes import with_soles
from skinned_soles import sole_heights
from sliding import stillest_m_s, stillest_vertex_m_s
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, leg_length
from takemill.body.motion import Motion
from takemill.body.posed import Posed
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.sole_mesh import find_sole_vertices
from takemill.feet.soles import end_drops_m, foot_points, sole_offsets
from takemill.files.glb_rig import read_rig
from takemill.fit.fit import fit
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
    holders = np.repeat(list(vertices), 8)[:, None]
    stands = np.concatenate(list(vertices.values()))[:, None]
    soles = find_sole_vertices(holders, np.ones(holders.shape), stands, rotations, positions, UP)
    return with_soles(skeleton, soles), parts


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
    ends = np.repeat(ball[:, None], 2, axis=1)
    drop = end_drops_m(Posed(raised), parts, "leftFoot", ends)[:, 1]
    assert drop[1] == pytest.approx(-height * (1 - np.cos(np.radians(40.0))), abs=1e-6)
    assert drop[0] == pytest.approx(0.0, abs=1e-12)
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
    with pytest.raises(InputError, match="vertex"):
        replace(skeleton, sole_vertices=(0,))
    with pytest.raises(InputError, match="sole_weights"):
        replace(skeleton, sole_weights=np.ones(1))


def test_a_sole_of_a_glb_is_as_low_as_its_lowest_vertex() -> None:
    skeleton, _ = fit_bodies.body(fit_bodies.BROAD)
    rig = read_rig(rigs.character(skeleton), "broad")
    glb = read_glb(rigs.character(skeleton))
    heights = glb.accessor(glb.json["meshes"][0]["primitives"][0]["attributes"]["POSITION"])[:, 1]
    rotations, positions = rig.skeleton.reference_model
    joints = np.array(rig.skeleton.sole_joints)
    points = positions[joints] + quat.rotate(rotations[joints], rig.skeleton.sole_points)
    assert points[:, 2].min() == pytest.approx(heights.min(), abs=1e-6)


def test_a_heel_that_hangs_on_foot_and_shin_alike_is_as_low_as_it_is_skinned() -> None:
    """Exact: half of the vertex turns with the foot, half stays with the shin (glTF 2.0, section 3.7.3)."""
    skeleton, parts = fit_bodies.body(fit_bodies.Build())
    foot, shin = parts.require("leftFoot"), parts.require("leftLowerLeg")
    rotations, positions = skeleton.reference_model
    ankle = positions[foot]
    floor = skeleton.reference_tips[:, 2].min() - 0.02
    heel, toes = (np.array([ankle[0], ankle[1] + y, floor]) for y in (0.06, -0.15))
    holders = np.array([[foot, shin], [foot, -1]])
    stands = np.stack([[heel, heel], [toes, toes]])
    soles = find_sole_vertices(
        holders, np.array([[0.5, 0.5], [1.0, 7.0]]), stands, rotations, positions, UP, 1.7
    )
    assert sorted(zip(soles.vertices, soles.joints, soles.weights, strict=True)) == [
        (0, shin, 0.5), (0, foot, 0.5), (1, foot, 1.0)
    ]  # fmt: skip
    motion = stand(with_soles(skeleton, soles))
    pitch = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(-20.0))  # toes up
    turned = motion.rotations.copy()
    above = rotations[skeleton.parents[foot]]
    turned[1, foot] = quat.mul(quat.inv(above), quat.mul(pitch, rotations[foot]))
    points = foot_points(motion.with_rotations(turned), parts)[:, parts.feet.index("leftFoot")]
    assert points[0, :, 2] == pytest.approx(floor, abs=1e-9)
    rolled = ankle + quat.rotate(pitch, np.stack([heel, toes]) - ankle)
    assert points[1, 0, 2] == pytest.approx((rolled[0, 2] + heel[2]) / 2, abs=1e-9)
    assert points[1, 1, 2] == pytest.approx(rolled[1, 2], abs=1e-9)
    # A part without the shin: the heel is the foot's alone.
    whole = with_soles(skeleton, soles)
    part = whole.part([joint for joint in range(len(whole)) if joint != shin])
    assert len(part.sole_joints) == 2
    assert part.sole_weights.tolist() == [0.5, 1.0]
    few = soles.among({foot: 3})
    assert (few.joints, few.vertices, few.weights.tolist()) == ((3, 3), (0, 1), [0.5, 1.0])
    assert np.array_equal(few.points, part.sole_points)


def skinned_places(data: bytes, motion: Motion, foot: int) -> np.ndarray:
    """Where a GLB's vertices (F, V, 3) are that hang on a foot and its toes by half and more, as skinned."""
    glb, skeleton = read_glb(data), motion.skeleton
    given = glb.json["meshes"][0]["primitives"][0]["attributes"]
    places, owners, weights = (glb.accessor(given[name]) for name in ("POSITION", "JOINTS_0", "WEIGHTS_0"))
    names = [glb.json["nodes"][node]["name"] for node in glb.json["skins"][0]["joints"]]
    owners = np.array([skeleton.index(name) for name in names])[owners.astype(int)]
    mine = (np.isin(owners, skeleton.subtree(foot)) * weights).sum(axis=1) > 0.45
    rest_rotations, rest_positions = skeleton.rest_model
    rotations, positions = motion.model()
    out = np.zeros((len(motion), mine.sum(), 3))
    for slot in range(4):
        held = owners[mine, slot]
        inside = quat.rotate(quat.inv(rest_rotations[held]), z_up(places)[mine] - rest_positions[held])
        each = positions[:, held] + quat.rotate(rotations[:, held], inside)
        out += weights[mine, slot, None] * each
    return out


class SoftWalk(NamedTuple):
    """A walk on a character whose heels are soft: its GLB and body, the performer's walk, and the fit."""

    data: bytes
    parts: BodyMap
    scale: float
    walk: Motion
    body: BodyMap
    contacts: Contacts
    fitted: Motion


@pytest.fixture(scope="module", params=[fit_bodies.TOON, fit_bodies.BROAD, fit_bodies.Build()])
def soft(request: pytest.FixtureRequest) -> SoftWalk:
    skeleton, parts = fit_bodies.body(request.param)
    data = rigs.with_soft_heels(rigs.character(skeleton), skeleton, parts)
    target = read_rig(data, "soft").skeleton
    parts = BodyMap.from_names(target, {part: skeleton.names[joint] for part, joint in parts.joints.items()})
    walk = synthetic.walk(rate=60.0, steps=6).motion
    body = BodyMap.from_names(walk.skeleton, synthetic.parts())
    contacts = find_contacts(walk, body)
    scale = leg_length(target, parts) / leg_length(walk.skeleton, body)
    fitted = fit(walk, body, target, parts, contacts=contacts)
    return SoftWalk(data, parts, scale, walk, body, contacts, fitted)


def test_a_fit_puts_soft_heels_on_the_floor_in_all_planted_frames(soft: SoftWalk) -> None:
    """Within 0.3 mm, though a performer's foot is higher in a contact's first and last frames."""
    planted = soft.contacts.planted
    assert np.abs(foot_points(soft.walk, soft.body)[..., 2].min(axis=-1)[planted]).max() > 0.006
    for k, foot in enumerate(soft.contacts.feet):
        lowest = skinned_places(soft.data, soft.fitted, soft.parts.require(foot))[..., 2].min(axis=1)
        assert np.abs(lowest[planted[:, k]]).max() < 0.0003


def test_soft_heels_and_flat_toes_slide_no_more_than_the_performer_s_feet(soft: SoftWalk) -> None:
    """By the stillest vertex that touches; up to 29 cm/s more once, then 3.5 % of steps by over 0.3."""
    more = []
    theirs = soft.scale * stillest_m_s(foot_points(soft.walk, soft.body), 60.0, 0.005)
    for k, foot in enumerate(soft.contacts.feet):
        stands = soft.contacts.planted[1:, k] & soft.contacts.planted[:-1, k]
        places = skinned_places(soft.data, soft.fitted, soft.parts.require(foot))
        ours = stillest_vertex_m_s(places, 60.0, 0.005)
        more.append((ours - theirs[:, k])[stands])
    assert np.concatenate(more).max() < 0.04
    assert (np.concatenate(more) > 0.003).mean() < 0.015


def test_one_s_own_body_keeps_the_height_of_its_soles() -> None:
    """Fitted onto itself a take is itself, wherever its feet are while planted."""
    skeleton, parts = shod(0.0)
    motion = stand(skeleton)
    motion = motion.with_translation(0, motion.root_translation + 0.004 * UP)
    both = np.ones((2, 2), bool)
    contacts = Contacts(motion.rate, parts.feet, both, both, 0.0)
    same = fit(motion, parts, skeleton, parts, contacts=contacts)
    assert np.abs(same.model()[1] - motion.model()[1]).max() < 1e-5


def test_vertices_that_hang_on_nothing_are_no_sole() -> None:
    skeleton, _ = fit_bodies.body(fit_bodies.Build())
    nothing = np.full((3, 2), -1), np.ones((3, 2)), np.zeros((3, 2, 3))
    assert find_sole_vertices(*nothing, *skeleton.reference_model, UP).joints == ()


@pytest.mark.parametrize("soft", [False, True])
@pytest.mark.parametrize("build", [fit_bodies.TOON, fit_bodies.BROAD])
def test_skinned_soles_of_a_packed_character_stand_on_the_floor(build, soft, tmp_path) -> None:
    """While planted within 3 mm, by a reader and a skinning that share nothing with the engine.

    Also with heels that hang on foot and shin alike, which no rigid point of the foot can follow.
    """
    skeleton, parts = fit_bodies.body(build)
    glb = rigs.character(skeleton)
    glb = rigs.with_soft_heels(glb, skeleton, parts) if soft else glb
    (tmp_path / "body.glb").write_bytes(glb)
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
