"""The same motion on other bodies. Exact answers come from bodies that differ in one known way."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import open_data
import synthetic
from fit_bodies import BROAD, TOON, Build, body, moved, rolled
from takemill.base.checks import Array
from takemill.base.errors import BodyMapError, InputError
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import find_contacts
from takemill.feet.leg_ik import place_ankles
from takemill.feet.soles import foot_points
from takemill.fit import fit_feet
from takemill.fit.fit import FitSettings, fit
from takemill.maths import quat
from takemill.maths.series import runs

FREE = FitSettings(plant_feet=False, goals=())
LIMBS = [
    (f"{side}{part}", f"{side}{below}")
    for side in ("left", "right")
    for part, below in (
        ("UpperArm", "LowerArm"),
        ("LowerArm", "Hand"),
        ("UpperLeg", "LowerLeg"),
        ("LowerLeg", "Foot"),
    )
]


def directions(motion: Motion, parts: BodyMap) -> Array:
    """Unit directions (F, L, 3) of the limbs' bones in model space."""
    at = motion.model()[1]
    bones = np.stack(
        [at[:, parts.require(end)] - at[:, parts.require(start)] for start, end in LIMBS], axis=1
    )
    return bones / np.linalg.norm(bones, axis=-1, keepdims=True)


def turned(motion: Motion, joint: int) -> Array:
    """How far a joint turned away from its rest in model space (F, 4)."""
    return quat.mul(motion.model()[0][:, joint], quat.inv(motion.skeleton.rest_model[0][joint]))


def stand(skeleton: Skeleton, frames: int = 3) -> Motion:
    rotations = np.tile(skeleton.rest_rotation, (frames, 1, 1))
    return Motion(skeleton, 30.0, rotations, np.tile(skeleton.rest_translation[0], (frames, 1)))


def test_other_joint_axes_pose_alike() -> None:
    skeleton, parts = body(Build(fingers=True, tail=3, trunk=("spine", "chest", "upperChest")))
    motion = moved(skeleton, 1)
    other = rolled(stand(skeleton), 2).skeleton
    fitted = fit(motion, parts, other, parts)
    np.testing.assert_allclose(fitted.model()[1], motion.model()[1], atol=1e-9)
    same = fit(motion, parts, skeleton, parts)
    assert quat.angle_between(same.rotations, motion.rotations).max() < 1e-9


def test_a_scaled_copy_scales_every_position() -> None:
    skeleton, parts = body(Build(roll_seed=4))
    motion = moved(skeleton, 3)
    small = replace(
        skeleton,
        rest_translation=skeleton.rest_translation * 0.37,
        tip_offsets=skeleton.tip_offsets * 0.37,
    )
    np.testing.assert_allclose(
        fit(motion, parts, small, parts).model()[1], 0.37 * motion.model()[1], atol=1e-9
    )


@pytest.mark.parametrize("down_deg", [45.0, 80.0])
def test_limbs_point_alike_from_a_t_pose_to_an_a_pose(down_deg: float) -> None:
    skeleton, parts = body(Build())
    build = Build(
        arms_down_deg=down_deg, arms_ahead_deg=10.0, legs_out_deg=8.0, toes_out_deg=20.0, roll_seed=1
    )
    other, other_parts = body(build)
    motion = moved(skeleton, 5)
    fitted = fit(motion, parts, other, other_parts, FREE)
    np.testing.assert_allclose(directions(fitted, other_parts), directions(motion, parts), atol=1e-6)


@pytest.mark.parametrize("down_deg", [45.0, 90.0])
def test_elbows_keep_their_hinge_from_a_t_pose_to_lowered_arms(down_deg: float) -> None:
    # Arms that differ only by a swing in the body's plane share the direction to the front at rest.
    skeleton, parts = body(Build())
    other, other_parts = body(Build(arms_down_deg=down_deg))
    motion = moved(skeleton, 6)
    fitted = fit(motion, parts, other, other_parts, FREE)
    front = np.array([0.0, -1.0, 0.0])
    for part in ("leftUpperArm", "rightLowerArm", "leftHand"):
        got = quat.rotate(turned(fitted, other_parts.require(part)), front)
        want = quat.rotate(turned(motion, parts.require(part)), front)
        np.testing.assert_allclose(got, want, atol=1e-9)


@pytest.mark.parametrize("palms_deg", [0.0, 90.0])
def test_palms_face_alike_and_fingers_follow_whatever_the_rest(palms_deg: float) -> None:
    skeleton, parts = body(Build(fingers=True))
    other, other_parts = body(replace(TOON, fingers=True, palms_deg=palms_deg))
    motion = moved(skeleton, 14)
    fitted = fit(motion, parts, other, other_parts)

    def palm_and_finger(m: Motion, b: BodyMap) -> Array:
        at = m.model()[1]
        ends = [("leftLittleProximal", "leftIndexProximal"), ("rightRingProximal", "rightRingIntermediate")]
        bones = np.stack([at[:, b.require(end)] - at[:, b.require(start)] for start, end in ends], axis=1)
        return bones / np.linalg.norm(bones, axis=-1, keepdims=True)

    want = palm_and_finger(motion, parts)
    np.testing.assert_allclose(palm_and_finger(fitted, other_parts), want, atol=1e-9)
    # Without fingers on the source no palm is guessed: hands at rest stay as they are on the target's arms.
    bare, bare_parts = body(Build())
    still = fit(stand(bare), bare_parts, other, other_parts)
    wrist = other_parts.require("leftHand")
    assert quat.angle_between(still.rotations[:, wrist], other.rest_rotation[wrist]).max() < 1e-9


@pytest.mark.parametrize("facing_deg", [90.0, 180.0, -35.0])
def test_a_rest_that_faces_elsewhere_moves_the_same(facing_deg: float) -> None:
    skeleton, parts = body(Build(arms_down_deg=20.0))
    motion = moved(skeleton, 7)
    plain = fit(motion, parts, *body(TOON))
    other, other_parts = body(replace(TOON, facing_deg=facing_deg))
    fitted = fit(motion, parts, other, other_parts)
    np.testing.assert_allclose(fitted.model()[1], plain.model()[1], atol=1e-9)


@pytest.mark.parametrize("build", [TOON, replace(TOON, facing_deg=120.0, fingers=True, tail=2)])
def test_there_and_back_is_the_original(build: Build) -> None:
    skeleton, parts = body(Build(fingers=build.fingers, tail=build.tail))
    motion = moved(skeleton, 8)
    other, other_parts = body(build)
    back = fit(fit(motion, parts, other, other_parts, FREE), other_parts, skeleton, parts, FREE)
    np.testing.assert_allclose(back.model()[1], motion.model()[1], atol=1e-6)
    assert quat.angle_between(back.rotations, motion.rotations).max() < 1e-6


def test_a_turn_about_the_spine_is_spread_over_more_joints() -> None:
    skeleton, parts = body(Build(trunk=("spine",)))
    twist = quat.from_axis_angle(np.array([0.0, 0.0, 1.0]), np.radians([0.0, 30.0, 60.0]))
    motion = stand(skeleton)
    rotations = motion.rotations.copy()
    rotations[:, parts.require("spine")] = twist
    other, other_parts = body(Build(trunk=("spine", "chest", "upperChest"), helpers=2, roll_seed=9))
    fitted = fit(motion.with_rotations(rotations), parts, other, other_parts, FREE)
    column = list(other.path_to(other_parts.require("upperChest"))[1:])
    turns = np.degrees(quat.angle(np.stack([turned(fitted, j) for j in column], axis=1)))
    np.testing.assert_allclose(turns[:, -1], [0.0, 30.0, 60.0], atol=0.5)
    assert np.all(np.diff(turns[2]) > 5.0), turns[2]
    np.testing.assert_allclose(turns[1] * 2, turns[2], atol=0.5)
    # And back: one joint takes the whole turn.
    again = fit(fitted, other_parts, skeleton, parts)
    np.testing.assert_allclose(
        quat.angle(turned(again, parts.require("spine"))), np.radians([0, 30, 60]), atol=0.01
    )


def test_a_bent_spine_of_one_joint_leads_more_joints_to_the_same_place() -> None:
    skeleton, parts = body(Build(trunk=("spine",)))
    bend = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians([0.0, 30.0, 60.0]))
    motion = stand(skeleton)
    rotations = motion.rotations.copy()
    rotations[:, parts.require("spine")] = bend
    bent = motion.with_rotations(rotations)
    other, other_parts = body(Build(trunk=("spine", "chest", "upperChest"), helpers=2, roll_seed=9))
    fitted = fit(bent, parts, other, other_parts, FREE)
    away_m = np.linalg.norm(
        fitted.model()[1][:, other_parts.require("neck")] - bent.model()[1][:, parts.require("neck")], axis=-1
    )
    assert away_m[0] < 1e-9
    assert away_m[1] < 0.005
    assert away_m[2] < 0.013
    column = list(other.path_to(other_parts.require("upperChest"))[1:])
    turns = np.degrees(quat.angle(np.stack([turned(fitted, j) for j in column], axis=1)))
    np.testing.assert_allclose(turns[:, -1], [0.0, 30.0, 60.0], atol=0.5)
    assert turns[2, 0] > 5.0, "the lowest joint of the target takes a part of the bend"


def test_missing_parts_keep_their_rest_and_the_others_still_agree() -> None:
    lacking = ("leftShoulder", "rightShoulder", "leftToes", "rightToes", "neck", "chest")
    skeleton, parts = body(Build(without=lacking))
    other, other_parts = body(replace(BROAD, fingers=True, tail=3))
    motion = moved(skeleton, 10)
    fitted = fit(motion, parts, other, other_parts, FREE)
    np.testing.assert_allclose(directions(fitted, other_parts), directions(motion, parts), atol=1e-6)
    for part in ("leftShoulder", "rightToes", "leftIndexProximal", "tail.0", "tail.2"):
        joint = other_parts.require(part)
        assert quat.angle_between(fitted.rotations[:, joint], other.rest_rotation[joint]).max() < 1e-9, part
    reverse = fit(moved(other, 11), other_parts, skeleton, parts)
    assert np.isfinite(reverse.rotations).all()


@pytest.mark.parametrize("build", [TOON, BROAD, Build(foot=0.2, ankle=0.12, toes_out_deg=30.0)])
def test_flat_feet_stand_flat_on_the_floor(build: Build) -> None:
    skeleton, parts = body(Build(arms_down_deg=30.0))
    other, other_parts = body(build)
    soles = foot_points(fit(stand(skeleton), parts, other, other_parts, FREE), other_parts)
    np.testing.assert_allclose(soles[..., 2], 0.0, atol=1e-9)


def test_the_path_follows_the_scale_and_the_height_the_legs() -> None:
    skeleton, parts = body(Build())
    other, other_parts = body(TOON)
    motion = stand(skeleton, 2)
    walked = motion.with_translation(0, motion.root_translation + np.array([[0, 0, 0], [1.0, -2.0, 0.3]]))
    ratio = leg_length(other, other_parts) / leg_length(skeleton, parts)
    for settings, scale in ((FitSettings(), ratio), (FitSettings(path_scale=0.8), 0.8)):
        hips = fit(walked, parts, other, other_parts, settings).model()[1][:, other_parts.require("hips")]
        np.testing.assert_allclose(hips[1] - hips[0], [scale, -2 * scale, 0.3 * ratio], atol=1e-9)


def test_a_root_stays_at_rest_unless_the_source_has_one() -> None:
    plain, plain_parts = body(Build())
    rooted, rooted_parts = body(replace(TOON, root=True))
    fitted = fit(moved(plain, 12), plain_parts, rooted, rooted_parts)
    np.testing.assert_array_equal(fitted.root_translation, 0.0)
    assert quat.angle(fitted.rotations[:, 0]).max() < 1e-12
    assert set(fitted.translations) == {rooted_parts.require("hips")}
    walked = moved(rooted, 13)
    back = fit(walked, rooted_parts, *body(Build(root=True)))
    ratio = leg_length(plain, plain_parts) / leg_length(rooted, rooted_parts)
    np.testing.assert_allclose(back.root_translation, walked.root_translation * ratio, atol=1e-9)
    again = fit(back, body(Build(root=True))[1], rooted, rooted_parts)
    np.testing.assert_allclose(again.model()[1], walked.model()[1], atol=1e-6)


@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick", "spinkick", "cartwheel"])
@pytest.mark.parametrize("build", [TOON, BROAD], ids=["toon", "broad"])
def test_real_motion_points_every_limb_alike(name: str, build: Build) -> None:
    motion, _ = open_data.humanoid3d(name)
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(build)
    fitted = fit(motion, parts, other, other_parts, FREE)
    np.testing.assert_allclose(directions(fitted, other_parts), directions(motion, parts), atol=1e-6)
    # The source's knees are hinges about the side axis: on the target, too, shins only bend back.
    side = quat.rotate(turned(fitted, other_parts.require("leftUpperLeg")), np.array([1.0, 0.0, 0.0]))
    bones = directions(fitted, other_parts)
    bend = np.cross(bones[:, 2], bones[:, 3])
    assert np.einsum("fi,fi->f", bend, side).min() > -0.02 or name == "cartwheel"


@pytest.mark.parametrize("facing_deg", [0.0, 110.0])
def test_arm_clearance_holds_hanging_arms_out_and_leaves_raised_ones(facing_deg: float) -> None:
    for down_deg, want_deg in ((90.0, 12.0), (0.0, 0.0)):
        skeleton, parts = body(Build(arms_down_deg=down_deg, facing_deg=facing_deg))
        other, other_parts = body(replace(BROAD, arms_down_deg=down_deg, facing_deg=facing_deg))
        motion = stand(skeleton)
        plain, clear = (
            directions(fit(motion, parts, other, other_parts, settings), other_parts)
            for settings in (FitSettings(), FitSettings(arm_clearance_deg=12.0))
        )
        turn = np.degrees(quat.angle(quat.between(plain, clear)))
        np.testing.assert_allclose(turn[:, :2], want_deg, atol=1e-6)  # left arm
        np.testing.assert_allclose(turn[:, 4:6], want_deg, atol=1e-6)  # right arm
        left = quat.rotate(quat.from_yaw(np.radians(facing_deg)), np.array([1.0, 0.0, 0.0]))
        np.testing.assert_allclose((clear - plain)[0, 0] @ left, np.sin(np.radians(want_deg)), atol=1e-6)
        np.testing.assert_allclose((clear - plain)[0, 4] @ left, -np.sin(np.radians(want_deg)), atol=1e-6)


def test_bad_input_is_named() -> None:
    skeleton, parts = body(Build())
    motion = stand(skeleton)
    legless = BodyMap({p: j for p, j in parts.joints.items() if p != "leftLowerLeg"})
    with pytest.raises(BodyMapError, match="leftLowerLeg"):
        fit(motion, legless, skeleton, parts)
    with pytest.raises(BodyMapError, match="leftLowerLeg"):
        fit(motion, parts, skeleton, legless)
    one = Skeleton(("one",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None])
    with pytest.raises(BodyMapError):
        fit(motion, parts, one, BodyMap({}))
    for names in ({"hips": len(skeleton)}, {"hips": len(skeleton) + 5}):
        with pytest.raises(InputError, match=f"target's body map names joint .* of {len(skeleton)}"):
            fit(motion, parts, skeleton, BodyMap(names))
    with pytest.raises(InputError, match="path_scale"):
        fit(motion, parts, skeleton, parts, FitSettings(path_scale=0.0))
    with pytest.raises(InputError, match="arm_clearance_deg: expected -90 to 90, got nan"):
        fit(motion, parts, skeleton, parts, FitSettings(arm_clearance_deg=float("nan")))
    short = find_contacts(motion.slice(0, 2), parts)
    with pytest.raises(InputError, match="contacts of 2 frames for a motion of 3"):
        fit(motion, parts, skeleton, parts, contacts=short)
    with pytest.raises(InputError, match="target's body map names joint 99"):
        fit(motion, parts, skeleton, BodyMap({**parts.joints, "jaw": 99}))


PLANTED = {"same": Build(roll_seed=1), "toon": TOON, "broad": BROAD, "big feet": Build(foot=0.25, ankle=0.1)}


@pytest.mark.parametrize("take", ["walk", "arc", "turn", "idle"])
@pytest.mark.parametrize("name", PLANTED)
def test_planted_feet_stand_as_the_performers_do(name: str, take: str) -> None:
    """Heels and balls that the synthetic motion holds still, by construction, stay still on every build."""
    known = {
        "walk": synthetic.walk,
        "arc": lambda: synthetic.walk(turn_deg=120.0),
        "turn": synthetic.turn_in_place,
        "idle": synthetic.idle,
    }[take]()
    parts = BodyMap.from_names(known.motion.skeleton, synthetic.parts())
    other, other_parts = body(PLANTED[name])
    fitted = fit(known.motion, parts, other, other_parts)
    points = foot_points(fitted, other_parts)
    for end, mask in enumerate((known.heel, known.toe)):
        for foot in range(2):
            for start, stop in zip(*runs(mask[:, foot]), strict=True):
                held = points[start:stop, foot, end]
                assert np.ptp(held[:, :2], axis=0).max() < 2e-4, (end, foot, start)
                assert np.abs(held[:, 2]).max() < 2e-4
    assert points[..., 2].min() > -2e-3, "and no foot goes through the floor on its way"


def test_planted_ranges_step_aside_as_one_and_ease_from_one_to_the_next() -> None:
    """Ranges of four frames, of one and of two: their means, and amid a gap the middle of both."""
    aside = np.random.default_rng(0).normal(size=(20, 2))
    planted = np.zeros(20, bool)
    ranges = [(2, 6), (11, 12), (17, 19)]
    for start, stop in ranges:
        planted[start:stop] = True
    out = fit_feet._steps_aside(aside, planted)
    means = [aside[start:stop].mean(axis=0) for start, stop in ranges]
    for (start, stop), mean in zip(ranges, means, strict=True):
        np.testing.assert_allclose(out[start:stop], np.tile(mean, (stop - start, 1)), atol=1e-6)
    np.testing.assert_allclose(out[8], (means[0] + means[1]) / 2, atol=1e-6)
    np.testing.assert_allclose(out[14], (means[1] + means[2]) / 2, atol=1e-6)
    np.testing.assert_allclose(out[[0, 19]], [means[0], means[2]], atol=1e-6)


def test_a_broad_body_stands_as_wide_as_its_hips() -> None:
    skeleton, parts = body(Build())
    other, other_parts = body(BROAD)
    motion = stand(skeleton, 60)
    np.testing.assert_allclose(
        directions(fit(motion, parts, other, other_parts), other_parts), directions(motion, parts), atol=1e-6
    )


def test_hips_sink_where_a_leg_would_not_reach() -> None:
    """Straight legs and turning hips: wider hips carry the sockets further from feet that stand."""
    skeleton, parts = body(Build(hip_width=0.1))
    turn = quat.from_yaw(np.radians(40.0) * np.sin(np.linspace(0, 2 * np.pi, 120)) ** 3)
    motion = stand(skeleton, 120)
    feet = {foot: motion.model()[1][:, parts.require(foot)] for foot in parts.feet}
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    for thigh in (parts.require("leftUpperLeg"), parts.require("rightUpperLeg")):
        rotations[:, thigh] = quat.mul(quat.inv(turn), rotations[:, thigh])  # feet keep their direction
    low = motion.root_translation - np.array([0.0, 0.0, 0.002])
    source = place_ankles(replace(motion, rotations=rotations, root_translation=low), parts, feet)
    other, other_parts = body(replace(BROAD, hip_width=0.5))
    fitted = fit(source, parts, other, other_parts)
    points = foot_points(fitted, other_parts)
    assert np.ptp(points, axis=0).max() < 1e-3
    np.testing.assert_allclose(points[..., 2], 0.0, atol=1e-3)
    hips = fitted.model()[1][:, other_parts.require("hips"), 2]
    assert 0.01 < np.ptp(hips) < 0.06


def test_planting_leaves_a_like_body_as_it_is() -> None:
    known = synthetic.walk()
    parts = BodyMap.from_names(known.motion.skeleton, synthetic.parts())
    small = synthetic.skeleton(0.6)
    fitted = fit(known.motion, parts, small, parts)
    np.testing.assert_allclose(fitted.model()[1], 0.6 * known.motion.model()[1], atol=1e-7)


def test_planted_feet_are_no_affair_of_the_arms_and_ease_out_in_the_air() -> None:
    motion, _ = open_data.humanoid3d("kick")
    parts = find_body_map(motion.skeleton)
    other, other_parts = body(BROAD)
    free, planted = (
        fit(motion, parts, other, other_parts, FitSettings(plant_feet=on)) for on in (False, True)
    )
    legs = [
        other_parts.require(side + part)
        for side in ("left", "right")
        for part in ("UpperLeg", "LowerLeg", "Foot", "Toes")
    ]
    rest = [j for j in range(len(other)) if j not in legs]
    np.testing.assert_allclose(free.rotations[:, rest], planted.rotations[:, rest], atol=1e-12)
    # In the air the kicking foot points as fitted, whatever the hips do.
    top = int(np.argmax(free.model()[1][:, other_parts.require("rightFoot"), 2]))
    bones = [directions(m, other_parts)[top, 6:8] for m in (free, planted)]
    np.testing.assert_allclose(bones[0], bones[1], atol=1e-6)


def test_toes_lie_flat_under_a_rising_heel_when_the_source_has_none() -> None:
    motion, _ = open_data.humanoid3d("walk")
    parts = find_body_map(motion.skeleton)
    assert parts.get("leftToes") is None
    other, other_parts = body(Build())
    lowest = []
    for on in (False, True):
        fitted = fit(motion, parts, other, other_parts, FitSettings(plant_feet=on))
        turned, at = fitted.model()
        tip = other.tip_joints.index(other_parts.require("rightToes"))
        joint = other.tip_joints[tip]
        lowest.append((at[:, joint] + quat.rotate(turned[:, joint], other.tip_offsets[tip]))[:, 2].min())
    assert lowest[0] < -0.005
    assert lowest[1] > -0.002
