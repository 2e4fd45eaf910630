"""The body map against hand-written truth: real skeletons, nameless ones, other ways of naming."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import synthetic
from takemill.base.errors import BodyMapError
from takemill.body.body_map import correct_body_map, find_body_map, leg_length, rest_facing
from takemill.body.skeleton import Skeleton
from takemill.maths import quat
from truth_bodies import (
    BANK,
    CMU,
    FREE,
    PYBULLET,
    REAL,
    attached,
    both,
    by_shape,
    fingers,
    mirrored,
    nameless,
    other_side,
    trunk_of,
    turned,
    under_root,
)


@pytest.fixture(params=list(REAL))
def real(request: pytest.FixtureRequest) -> tuple[Skeleton, dict[str, str], float]:
    """A skeleton, its truth by hand, and where it faces at rest in degrees."""
    build, truth, facing_deg = REAL[request.param]
    return build(), truth, facing_deg


@pytest.mark.parametrize(
    "which", ["bank", "free"]
)  # the left leg stands first in one, the right in the other
def test_names_of_sides_count_more_than_where_limbs_lie(which):
    """A mirrored skeleton keeps the sides that its names say, telling words or not."""
    build, truth, _ = REAL[which]
    skeleton = build()
    assert find_body_map(mirrored(skeleton)).names(skeleton) == truth
    quiet = tuple(
        ("l_" if "Left" in name else "r_" if "Right" in name else "") + f"j{number}"
        for number, name in enumerate(skeleton.names)
    )
    found = find_body_map(replace(mirrored(skeleton), names=quiet))
    assert {part: skeleton.names[joint] for part, joint in found.joints.items()} == by_shape(truth)


def test_real_skeletons_map_without_help(real):
    skeleton, truth, _ = real
    assert find_body_map(skeleton).names(skeleton) == truth


def test_nameless_skeletons_map_by_shape(real):
    skeleton, truth, _ = real
    found = find_body_map(nameless(skeleton))
    assert {part: skeleton.names[j] for part, j in found.joints.items()} == by_shape(truth)


@pytest.mark.parametrize(("heading_deg", "scale"), [(90.0, 1.0), (180.0, 0.02), (-90.0, 250.0), (37.0, 1.3)])
def test_any_facing_and_any_size_map_alike(real, heading_deg, scale):
    skeleton, truth, facing_deg = real
    moved = turned(skeleton, np.radians(heading_deg), scale)
    for case, wanted in ((moved, truth), (nameless(moved), by_shape(truth))):
        found = find_body_map(case)
        assert {part: skeleton.names[j] for part, j in found.joints.items()} == wanted
        off = np.degrees(rest_facing(case, found)) - facing_deg - heading_deg
        assert abs((off + 180) % 360 - 180) < 2.0  # a captured performer's hips are not quite square
        assert leg_length(case, found) == pytest.approx(scale * leg_length(skeleton, found))


def test_a_mirrored_nameless_skeleton_swaps_its_sides(real):
    skeleton, truth, _ = real
    found = find_body_map(nameless(mirrored(skeleton)))
    wanted = {other_side(part): name for part, name in by_shape(truth).items()}
    assert {part: skeleton.names[j] for part, j in found.joints.items()} == wanted


@settings(deadline=None, max_examples=25)
@given(
    which=st.sampled_from(list(REAL)),
    seed=st.integers(0, 2**32 - 1),
    spread=st.floats(0.0, 0.3),
    heading_rad=st.floats(-np.pi, np.pi),
)
@example(which="bank", seed=0, spread=0.3, heading_rad=0.0)  # the collar bone looked like an upper arm
@example(which="cmu", seed=0, spread=0.25, heading_rad=0.0)  # so did this one
@example(which="cmu", seed=18199, spread=0.25, heading_rad=0.0)  # the joint at the hips' middle like a thigh
@example(which="cmu", seed=9062, spread=0.25, heading_rad=0.0)  # the forearm's inner joint like a hand
@example(which="free", seed=1, spread=0.25, heading_rad=0.0)  # the toes like a foot
@example(
    which="bank", seed=151, spread=0.25, heading_rad=0.0
)  # a short forearm before its hand like a collar bone
@example(which="free", seed=27, spread=0.25, heading_rad=0.0)  # a long collar bone like an upper arm
def test_other_proportions_map_alike_without_names(which, seed, spread, heading_rad):
    """Longer and shorter bones, the same on both sides: the main parts stay where they are."""
    build, truth, _ = REAL[which]
    skeleton = build()
    rng = np.random.default_rng(seed)
    factors = {name: np.exp(rng.uniform(-spread, spread)) for name in sorted(map(_unsided, skeleton.names))}
    factor = np.array([factors[_unsided(name)] for name in skeleton.names])
    grown = replace(
        skeleton,
        rest_translation=skeleton.rest_translation * factor[:, None],
        tip_offsets=skeleton.tip_offsets,
    )
    found = find_body_map(nameless(turned(grown, heading_rad)))
    main = by_shape(truth, fingers_too=False)
    assert {part: skeleton.names[found.joints[part]] for part in main if part in found.joints} == main


def _unsided(name: str) -> str:
    for side in ("left", "right", "Left", "Right"):
        name = name.replace(side, "")
    return name[1:] if name[:1] in "lr" and name not in ("root", "lowerback", "lowerneck") else name


# Other ways of naming, on the skeleton with fingers ----------------------------------------------

STYLES = {
    "VRM 1.0": {part: part for part in FREE},
    "VRM 1.0, other case and separators": {
        part: "".join("_" + c.lower() if c.isupper() else c for c in part) for part in FREE
    },
    "bones by limb, side behind": {
        "hips": "pelvis", "spine": "spine_01", "chest": "spine_02", "upperChest": "spine_03",
        "neck": "neck_01", "head": "head",
        **both({
            "UpperLeg": "thigh_*", "LowerLeg": "calf_*", "Foot": "foot_*", "Toes": "ball_*",
            "Shoulder": "clavicle_*", "UpperArm": "upperarm_*", "LowerArm": "lowerarm_*", "Hand": "hand_*",
            "Eye": "eye_*",
            **fingers("@_0#_*", {"Thumb": "thumb", "Index": "index", "Middle": "middle", "Ring": "ring",
                                 "Little": "pinky"}),
        }, "l", "r"),
    },
    "a letter for the side amid the name": {
        "hips": "A01 Pelvis", "spine": "A01 Spine", "chest": "A01 Spine1", "upperChest": "A01 Spine2",
        "neck": "A01 Neck", "head": "A01 Head",
        **both({
            "UpperLeg": "A01 * Thigh", "LowerLeg": "A01 * Calf", "Foot": "A01 * Foot", "Toes": "A01 * Toe0",
            "Shoulder": "A01 * Clavicle", "UpperArm": "A01 * UpperArm", "LowerArm": "A01 * Forearm",
            "Hand": "A01 * Hand", "Eye": "A01 * Eye",
            **fingers("A01 * @ #", {"Thumb": "Finger0", "Index": "Finger1", "Middle": "Finger2",
                                    "Ring": "Finger3", "Little": "Finger4"}),
        }, "L", "R"),
    },
    "joints by word": {
        "hips": "Hip", "spine": "waist", "chest": "torso", "upperChest": "chest",
        "neck": "neck", "head": "head",
        **both({
            "UpperLeg": "* leg", "LowerLeg": "* knee", "Foot": "* ankle", "Toes": "* toe",
            "Shoulder": "* shoulder", "UpperArm": "* arm", "LowerArm": "* elbow", "Hand": "* wrist",
            "Eye": "* eye",
            **fingers("* @ #", {"Thumb": "thumb", "Index": "index finger", "Middle": "middle finger",
                                "Ring": "ring finger", "Little": "little finger"}),
        }, "Left", "Right"),
    },
    "glued small letters": {
        "hips": "hips", "spine": "lowerspine", "chest": "midspine", "upperChest": "upperspine",
        "neck": "neckbase", "head": "skull",
        **both({
            "UpperLeg": "*femur", "LowerLeg": "*tibia", "Foot": "*anklejoint", "Toes": "*toebase",
            "Shoulder": "*clavicle", "UpperArm": "*upperarm", "LowerArm": "*forearm", "Hand": "*hand",
            "Eye": "*eye",
            **fingers("*@#", {"Thumb": "thumb", "Index": "index", "Middle": "middle", "Ring": "ring",
                              "Little": "pinky"}),
        }, "l", "r"),
    },
}  # fmt: skip


@pytest.mark.parametrize("style", list(STYLES))
def test_other_ways_of_naming_map_alike(style):
    skeleton = REAL["free"][0]()
    renames = {FREE[part]: name for part, name in STYLES[style].items()}
    named = replace(skeleton, names=tuple(renames.get(name, name) for name in skeleton.names))
    assert find_body_map(named).names(named) == STYLES[style]


@pytest.mark.parametrize("name", ["root", "Armature", "j99"])
def test_a_joint_above_the_hips_is_the_root(real, name):
    skeleton, truth, _ = real
    rooted = replace(under_root(skeleton, "@"), names=(name, *(n + "_" for n in skeleton.names)))
    wanted = {part: n + "_" for part, n in truth.items()} | {"root": name}
    assert find_body_map(rooted).names(rooted) == wanted


@pytest.fixture(params=["with names", "without names"])
def plain(request: pytest.FixtureRequest) -> Skeleton:
    skeleton = synthetic.skeleton()
    silent = tuple(f"j{place}" for place in range(len(skeleton)))
    return skeleton if request.param == "with names" else replace(skeleton, names=silent)


def test_the_other_parts_are_found_around_each_that_is_given(plain):
    whole = find_body_map(plain).joints
    for part, joint in whole.items():
        assert find_body_map(plain, {part: joint}).joints == whole, part


def test_any_joint_can_be_given_to_any_part(plain):
    """A part that loses its joint by it is searched again, or lacking."""
    for joint in range(len(plain)):
        for part in ("hips", "spine", "head", "leftHand", "rightFoot"):
            joints = correct_body_map(plain, {part: joint}).joints
            assert joints[part] == joint
            assert len(set(joints.values())) == len(joints)
    shin = find_body_map(plain).joints["leftLowerLeg"]
    with pytest.raises(BodyMapError, match="the joint found for leftLowerLeg is given to another part"):
        find_body_map(plain, {"spine": shin})


def test_helper_joints_are_no_parts():
    """IK targets on the floor, twist joints along the limbs, a skirt and hair change nothing."""
    skeleton = under_root(REAL["free"][0]())
    for side, x in (("Left", 0.1), ("Right", -0.1)):
        pre = f"suit:{side}"
        skeleton = attached(skeleton, f"{side}_foot_ik", "root", (x, 0.0, 0.1), (0.0, -0.1, 0.0))
        skeleton = attached(skeleton, f"{side}_toe_ik", f"{side}_foot_ik", (0.0, -0.1, -0.08))
        skeleton = attached(skeleton, f"{side}_knee_pole", "root", (x, -0.6, 0.5))
        skeleton = attached(skeleton, f"{side}ForeArmTwist", f"{pre}ForeArm", (x, 0.0, 0.0), (x, 0.0, 0.0))
        skeleton = attached(skeleton, f"{side}UpLegTwist", f"{pre}UpLeg", (0, 0, -0.2), (0, 0, -0.2))
        above = "suit:Hips"
        for number in range(4):
            skeleton = attached(skeleton, f"skirt_{side}_{number}", above, (x / 4, 0, -0.2), (0, 0, -0.1))
            above = f"skirt_{side}_{number}"
    skeleton = attached(skeleton, "hair_01", "suit:Head", (0, 0.05, 0.3), (0, 0.1, 0.1))
    assert find_body_map(skeleton).names(skeleton) == FREE | {"root": "root"}


def test_joints_called_helpers_are_no_parts_of_a_silent_body():
    """Two chains of pole targets reach lower than the feet; only their names tell that they are no legs."""
    skeleton = nameless(REAL["bank"][0]())
    hips = skeleton.names[0]
    for side, x in (("l", 0.2), ("r", -0.2)):
        above = hips
        for number in range(4):
            skeleton = attached(skeleton, f"pole_{side}_{number}", above, (x, 0.0, -0.4))
            above, x = f"pole_{side}_{number}", 0.0
    real = REAL["bank"][0]()
    assert {part: real.names[j] for part, j in find_body_map(skeleton).joints.items()} == BANK


@pytest.mark.parametrize(
    ("count", "trunk"),
    [
        (1, {"spine": "t0"}),
        (2, {"spine": "t0", "chest": "t1"}),
        (3, {"spine": "t0", "chest": "t1", "upperChest": "t2"}),
        (4, {"spine": "t0", "chest": "t1", "upperChest": "t3"}),
        (5, {"spine": "t0", "chest": "t2", "upperChest": "t4"}),
    ],
)
@pytest.mark.parametrize(
    ("above", "column"),
    [(1, {"head": "n0"}), (2, {"neck": "n0", "head": "n1"}), (3, {"neck": "n0", "head": "n2"})],
)
def test_trunk_and_neck_are_told_by_their_count(count, trunk, above, column):
    skeleton = trunk_of(count, above)
    names = find_body_map(skeleton).names(skeleton)
    middle = ("spine", "chest", "upperChest", "neck", "head")
    assert {part: name for part, name in names.items() if part in middle} == trunk | column
    assert names["leftHand"] == "aarm2"
    assert names["leftToes"] == "aleg3"
    assert "leftShoulder" not in names


def test_a_joint_that_marks_the_top_is_not_the_head():
    skeleton = trunk_of(3, 3, head_m=0.0)
    names = find_body_map(skeleton).names(skeleton)
    assert (names["neck"], names["head"]) == ("n0", "n1")


def test_a_face_that_hangs_at_the_head_is_not_the_head():
    skeleton = attached(trunk_of(3, 2), "f", "n1", (0, 0, 0))
    for number, x in enumerate((-0.05, 0.0, 0.05)):
        skeleton = attached(skeleton, f"f{number}", "f", (x, -0.05, 0.1), (0, 0, 0.2))
    names = find_body_map(skeleton).names(skeleton)
    assert (names["neck"], names["head"]) == ("n0", "n1")


def test_a_named_chest_is_the_chest_in_a_long_trunk():
    skeleton = trunk_of(5, 2)
    named = replace(skeleton, names=tuple("chest" if name == "t1" else name for name in skeleton.names))
    assert find_body_map(named).names(named)["chest"] == "chest"


@pytest.mark.parametrize("spelled", [str, str.upper, lambda part: part[0].upper() + part[1:]])
def test_names_of_vrm_count_whatever_the_shape(spelled):
    """The bone names of VRM 1.0, at joints that lie anywhere."""
    build, truth, _ = REAL["free"]
    body = build()
    called = {joint: spelled(part) for part, joint in truth.items()}
    rng = np.random.default_rng(8)
    odd = replace(
        body,
        names=tuple(called.get(name, name) for name in body.names),
        rest_translation=rng.normal(size=(len(body), 3)),
    )
    found = find_body_map(odd)
    assert {part: body.names[joint] for part, joint in found.joints.items()}.items() >= truth.items()


def test_without_legs_there_is_no_body():
    arms_only = trunk_of(3, 2)
    keep = [j for j, name in enumerate(arms_only.names) if "leg" not in name]
    place = {old: new for new, old in enumerate(keep)}
    legless = Skeleton(
        tuple(arms_only.names[j] for j in keep),
        tuple(place.get(arms_only.parents[j], -1) for j in keep),
        arms_only.rest_translation[keep],
        arms_only.rest_rotation[keep],
    )
    with pytest.raises(BodyMapError, match="no hips with two legs"):
        find_body_map(legless)
    with pytest.raises(BodyMapError, match="no hips"):
        find_body_map(Skeleton(("one",), (-1,), np.zeros((1, 3)), quat.IDENTITY[None]))


@settings(deadline=None, max_examples=60)
@given(seed=st.integers(0, 2**32 - 1), count=st.integers(1, 40), named=st.booleans())
def test_any_tree_maps_or_is_refused(seed, count, named):
    """A random tree of joints gives a map whose joints exist, or a BodyMapError; nothing else."""
    rng = np.random.default_rng(seed)
    words = [name for truth in (PYBULLET, CMU, FREE, BANK) for name in truth.values()]
    names = rng.choice(words, size=count, replace=False) if named else [f"j{i}" for i in range(count)]
    parents = tuple(int(rng.integers(-1, joint)) if joint else -1 for joint in range(count))
    names = tuple(dict.fromkeys(map(str, names)))
    skeleton = Skeleton(
        names,
        parents[: len(names)],
        rng.normal(size=(len(names), 3)) * rng.choice([0.0, 1.0], size=(len(names), 1)),
        quat.normalize(rng.normal(size=(len(names), 4))),
    )
    try:
        body = find_body_map(skeleton)
    except BodyMapError:
        return
    assert len(set(body.joints.values())) == len(body.joints)
    assert all(0 <= joint < len(names) for joint in body.joints.values())
