"""The body map against hand-written truth: real skeletons, nameless ones, other ways of naming."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

import open_data
from takemill import quat
from takemill.body_map import HUMANOID, BodyMap, find_body_map, heading, leg_length, rest_facing
from takemill.bvh import read_bvh
from takemill.errors import BodyMapError
from takemill.motion import Motion
from takemill.skeleton import Skeleton


def both(template: dict[str, str], left: str, right: str) -> dict[str, str]:
    """Part -> name for both sides, of a template without sides; "*" stands for the side in a name."""
    return {
        side + part: name.replace("*", mark)
        for part, name in template.items()
        for side, mark in (("left", left), ("right", right))
    }


def fingers(template: str, names: dict[str, str]) -> dict[str, str]:
    """The template of all fingers: "@" stands for the finger's name and "#" for 1, 2, 3."""
    bones = ("Proximal", "Intermediate", "Distal")
    return {
        finger + bone: template.replace("@", name).replace("#", str(number))
        for finger, name in names.items()
        for number, bone in enumerate(bones if finger != "Thumb" else ("Metacarpal", "Proximal", "Distal"), 1)
    }


# Hand-written truth: what a person reads out of each skeleton.
PYBULLET = {
    "hips": "root", "spine": "chest", "head": "neck",
    **both({
        "UpperLeg": "*_hip", "LowerLeg": "*_knee", "Foot": "*_ankle",
        "UpperArm": "*_shoulder", "LowerArm": "*_elbow", "Hand": "*_wrist",
    }, "left", "right"),
}  # fmt: skip
CMU = {
    "hips": "root", "spine": "lowerback", "chest": "upperback", "upperChest": "thorax",
    "neck": "lowerneck", "head": "head",
    **both({
        "UpperLeg": "*femur", "LowerLeg": "*tibia", "Foot": "*foot", "Toes": "*toes", "Shoulder": "*clavicle",
        "UpperArm": "*humerus", "LowerArm": "*radius", "Hand": "*hand", "ThumbMetacarpal": "*thumb",
    }, "l", "r"),
}  # fmt: skip
FREE = {
    part: f"suit:{name}"
    for part, name in {
        "hips": "Hips", "spine": "Spine", "chest": "Spine1", "upperChest": "Spine2",
        "neck": "Neck", "head": "Head",
        **both({
            "UpperLeg": "*UpLeg", "LowerLeg": "*Leg", "Foot": "*Foot", "Toes": "*ToeBase",
            "Shoulder": "*Shoulder", "UpperArm": "*Arm", "LowerArm": "*ForeArm", "Hand": "*Hand",
            "Eye": "*Eye",
            **fingers("*Hand@#", {"Thumb": "Thumb", "Index": "Index", "Middle": "Middle", "Ring": "Ring",
                                  "Little": "Pinky"}),
        }, "Left", "Right"),
    }.items()
}  # fmt: skip
BANK = {
    "hips": "Hips", "spine": "Chest", "chest": "Chest2", "neck": "Neck", "head": "Head",
    **both({
        "UpperLeg": "*Hip", "LowerLeg": "*Knee", "Foot": "*Ankle", "Shoulder": "*Collar",
        "UpperArm": "*Shoulder", "LowerArm": "*Elbow", "Hand": "*Wrist",
    }, "Left", "Right"),
}  # fmt: skip

REAL = {
    "pybullet": (lambda: open_data.humanoid3d("walk")[0].skeleton, PYBULLET, 90.0),
    "cmu": (lambda: open_data.cmu().skeleton, CMU, 0.0),
    "free": (lambda: read_bvh(open_data.bvh_files()[0])[0].skeleton, FREE, 0.0),
    "bank": (lambda: read_bvh(open_data.bvh_files()[1])[0].skeleton, BANK, 0.0),
}
# Parts that only a name can tell.
BY_NAME_ONLY = ("leftEye", "rightEye", "leftThumbMetacarpal", "rightThumbMetacarpal")


@pytest.fixture(params=list(REAL))
def real(request: pytest.FixtureRequest) -> tuple[Skeleton, dict[str, str], float]:
    build, truth, facing_deg = REAL[request.param]
    return build(), truth, facing_deg


def nameless(skeleton: Skeleton) -> Skeleton:
    return replace(skeleton, names=tuple(f"j{number}" for number in range(len(skeleton))))


def turned(skeleton: Skeleton, heading_rad: float, scale: float = 1.0) -> Skeleton:
    turn = quat.from_yaw(heading_rad)
    translation = skeleton.rest_translation * scale
    rotation = skeleton.rest_rotation.copy()
    for joint, parent in enumerate(skeleton.parents):
        if parent < 0:
            translation[joint] = quat.rotate(turn, translation[joint])
            rotation[joint] = quat.mul(turn, rotation[joint])
    return replace(
        skeleton,
        rest_translation=translation,
        rest_rotation=rotation,
        tip_offsets=skeleton.tip_offsets * scale,
    )


def mirrored(skeleton: Skeleton) -> Skeleton:
    """The skeleton in a mirror that stands across X: left becomes right."""
    flip = np.array([-1.0, 1.0, 1.0])
    return replace(
        skeleton,
        rest_translation=skeleton.rest_translation * flip,
        rest_rotation=skeleton.rest_rotation * np.array([1.0, 1.0, -1.0, -1.0]),
        tip_offsets=skeleton.tip_offsets * flip,
    )


def other_side(part: str) -> str:
    if part.startswith("left"):
        return "right" + part[4:]
    return "left" + part[5:] if part.startswith("right") else part


def test_names_of_sides_count_more_than_where_limbs_lie():
    """A mirrored skeleton keeps the sides that its names say, telling words or not."""
    skeleton = REAL["bank"][0]()
    assert find_body_map(mirrored(skeleton)).names(skeleton) == BANK
    quiet = tuple(
        ("l_" if n.startswith("Left") else "r_" if n.startswith("Right") else "") + f"j{k}"
        for k, n in enumerate(skeleton.names)
    )
    found = find_body_map(replace(mirrored(skeleton), names=quiet))
    assert {part: skeleton.names[joint] for part, joint in found.joints.items()} == BANK


def by_shape(truth: dict[str, str], fingers_too: bool = True) -> dict[str, str]:
    return {
        part: name
        for part, name in truth.items()
        if part not in (BY_NAME_ONLY if "leftIndexProximal" not in truth else BY_NAME_ONLY[:2])
        and (fingers_too or not part.endswith(("Metacarpal", "Proximal", "Intermediate", "Distal")))
    }


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
@example(which="cmu", seed=0, spread=0.25, heading_rad=0.0)  # the collar bone looked like an upper arm
@example(which="cmu", seed=18199, spread=0.25, heading_rad=0.0)  # the joint at the hips' middle like a thigh
@example(which="cmu", seed=9062, spread=0.25, heading_rad=0.0)  # the forearm's inner joint like a hand
@example(which="free", seed=1, spread=0.25, heading_rad=0.0)  # the toes like a foot
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


def attached(skeleton: Skeleton, name: str, parent: str, offset, tip=(0.0, 0.0, 0.0)) -> Skeleton:
    """The skeleton with one more joint at its end."""
    return Skeleton(
        (*skeleton.names, name),
        (*skeleton.parents, skeleton.index(parent)),
        np.concatenate([skeleton.rest_translation, [offset]]),
        np.concatenate([skeleton.rest_rotation, [quat.IDENTITY]]),
        (*skeleton.tip_joints, len(skeleton)),
        np.concatenate([skeleton.tip_offsets, [tip]]),
    )


def under_root(skeleton: Skeleton, name: str = "root") -> Skeleton:
    """The skeleton lifted onto the floor and hung under a joint at the origin."""
    low = min(skeleton.rest_model[1][:, 2].min(), skeleton.rest_tips[:, 2].min())
    translation = np.concatenate([np.zeros((1, 3)), skeleton.rest_translation])
    translation[1, 2] -= low
    return Skeleton(
        (name, *skeleton.names),
        (-1, *(parent + 1 for parent in skeleton.parents)),
        translation,
        np.concatenate([[quat.IDENTITY], skeleton.rest_rotation]),
        tuple(joint + 1 for joint in skeleton.tip_joints),
        skeleton.tip_offsets,
    )


@pytest.mark.parametrize("name", ["root", "Armature", "j99"])
def test_a_joint_above_the_hips_is_the_root(real, name):
    skeleton, truth, _ = real
    rooted = replace(under_root(skeleton, "@"), names=(name, *(n + "_" for n in skeleton.names)))
    wanted = {part: n + "_" for part, n in truth.items()} | {"root": name}
    assert find_body_map(rooted).names(rooted) == wanted


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


@pytest.mark.parametrize(("stem", "silent"), [("tail.{}", False), ("Tail_{}_bone", False), ("t{}", True)])
def test_a_tail_is_a_chain_from_the_body_outwards(stem, silent):
    skeleton = REAL["bank"][0]()
    above = "Hips"
    for number in range(5):
        skeleton = attached(skeleton, stem.format(number), above, (0, 0.12, -0.04), (0, 0.1, 0))
        above = stem.format(number)
    names = {f"tail.{number}": stem.format(number) for number in range(5)}
    found = find_body_map(nameless(skeleton) if silent else skeleton)
    assert {part: skeleton.names[j] for part, j in found.joints.items()} == BANK | names
    assert [skeleton.names[j] for j in found.chain("tail")] == list(names.values())


@pytest.mark.parametrize("name", ["ponytail", "PonyTail", "pig_tail.L", "coatTail_01"])
def test_hair_or_cloth_called_a_tail_of_something_is_no_tail(name):
    skeleton = attached(REAL["bank"][0](), name, "Head", (0, 0.1, 0.1))
    assert find_body_map(skeleton).names(skeleton) == BANK


def test_props_keep_their_name():
    skeleton = attached(REAL["bank"][0](), "prop.lantern", "RightWrist", (-0.1, 0, 0), (-0.9, 0, 0))
    skeleton = attached(skeleton, "prop_oar_L", "LeftWrist", (0.1, 0, 0), (0.9, 0, 0))
    props = {"prop.lantern": "prop.lantern", "prop.oar_l": "prop_oar_L"}
    assert find_body_map(skeleton).names(skeleton) == BANK | props


def trunk_of(count: int, above: int, head_m: float = 0.2) -> Skeleton:
    """A made-up body with so many joints in the trunk and above it; no names, tips at head and feet."""
    names, parents, offsets = ["hips"], [-1], [(0.0, 0.0, 1.0)]

    def add(name: str, parent: str, offset: tuple[float, float, float]) -> str:
        names.append(name)
        parents.append(names.index(parent))
        offsets.append(offset)
        return name

    top = "hips"
    for number in range(count):
        top = add(f"t{number}", top, (0, 0, 0.5 / count))
    neck = top
    for number in range(above):
        neck = add(f"n{number}", neck, (0, 0, 0.1 if number else 0.05))
    for side, x in (("a", 1.0), ("b", -1.0)):
        for limb, start, steps in (
            ("arm", top, ((0.18 * x, 0, 0), (0.28 * x, 0, 0), (0.26 * x, 0, 0))),
            ("leg", "hips", ((0.1 * x, 0, -0.05), (0, 0, -0.43), (0, 0, -0.43), (0, -0.13, -0.07))),
        ):
            joint = start
            for number, step in enumerate(steps):
                joint = add(f"{side}{limb}{number}", joint, step)
    tips = [(names.index(neck), (0, 0, head_m))]
    tips += [(names.index(f"{side}leg3"), (0, -0.07, 0)) for side in "ab"]
    return Skeleton(
        tuple(names), tuple(parents), np.array(offsets), np.tile(quat.IDENTITY, (len(names), 1)),
        tuple(joint for joint, _ in tips), np.array([tip for _, tip in tips], float),
    )  # fmt: skip


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


# The map itself -----------------------------------------------------------------------------------


def test_humanoid_parts_are_those_of_vrm():
    """VRMC_vrm-1.0, humanoid.md: 55 humanoid bones, hips the only one without a parent."""
    assert len(HUMANOID) == 55
    assert [part for part, above in HUMANOID.items() if above is None] == ["hips"]
    assert set(filter(None, HUMANOID.values())) <= set(HUMANOID)
    assert HUMANOID["leftShoulder"] == "upperChest"
    assert HUMANOID["rightThumbMetacarpal"] == "rightHand"
    assert HUMANOID["leftLittleDistal"] == "leftLittleIntermediate"


def test_a_map_answers_for_parts_and_joints():
    body = BodyMap({"hips": 0, "leftFoot": 3, "tail.0": 5, "tail.1": 6, "prop.oar": 7, "root": 8})
    assert body.get("hips") == 0
    assert body.get("head") is None
    assert body.require("leftFoot") == 3
    assert body.part_of(3) == "leftFoot"
    assert body.part_of(4) is None
    assert body.chain("tail") == (5, 6)
    assert body.chain("ear") == ()
    assert body.feet == ("leftFoot",)
    with pytest.raises(BodyMapError, match="'head'"):
        body.require("head")


def test_names_make_the_same_map_again(real):
    skeleton, _, _ = real
    body = find_body_map(skeleton)
    assert BodyMap.from_names(skeleton, body.names(skeleton)) == body


@pytest.mark.parametrize(
    ("names", "complaint"),
    [
        ({"hips": "nobody"}, "'nobody'"),
        ({"hip": "Hips"}, "no part 'hip'"),
        ({"tail": "Hips"}, "no part 'tail'"),
        ({"hips": "Hips", "spine": "Hips"}, "both 'hips' and 'spine'"),
    ],
)
def test_a_wrong_map_is_refused(names, complaint):
    skeleton = REAL["bank"][0]()
    with pytest.raises(BodyMapError, match=complaint):
        BodyMap.from_names(skeleton, names)


# Facing, heading, leg length ----------------------------------------------------------------------


def test_facing_is_that_of_the_feet(real):
    skeleton, _, facing_deg = real
    body = find_body_map(skeleton)
    assert np.degrees(rest_facing(skeleton, body)) == pytest.approx(facing_deg, abs=2.0)


def spun(skeleton: Skeleton, headings, tilt=None) -> Motion:
    rotations = np.tile(skeleton.rest_rotation, (len(headings), 1, 1))
    turn = quat.from_yaw(headings)
    turn = turn if tilt is None else quat.mul(turn, tilt)
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    return Motion(skeleton, 60.0, rotations, np.zeros((len(headings), 3)))


def test_heading_follows_the_hips_over_several_turns(real):
    skeleton, _, _ = real
    body = find_body_map(skeleton)
    turns = np.linspace(0.0, 5 * np.pi, 400)
    found = heading(spun(skeleton, turns), body)
    np.testing.assert_allclose(found - rest_facing(skeleton, body), turns, atol=1e-12)


def test_heading_does_not_see_a_bow():
    """A bow of 80 degrees about the body's own left changes no heading."""
    skeleton = REAL["free"][0]()
    bow = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.radians(np.linspace(0, 80, 50)))
    turns = np.full(50, 0.7)
    np.testing.assert_allclose(heading(spun(skeleton, turns, bow), find_body_map(skeleton)), 0.7, atol=1e-9)


def test_heading_holds_through_a_backflip():
    """The hips pass upside down at once: there the heading has no value of its own, and must not jump."""
    for name in ("backflip", "roll"):
        motion, _ = open_data.humanoid3d(name)
        found = heading(motion, find_body_map(motion.skeleton))
        assert np.abs(np.diff(found)).max() < np.radians(40)
        assert abs(found[-1] - found[0]) < np.radians(60)


def test_heading_of_real_walks_is_the_way_they_go():
    for name in ("walk", "run"):
        motion, _ = open_data.humanoid3d(name)
        found = heading(motion, find_body_map(motion.skeleton))
        assert np.abs(found - np.pi / 2).max() < np.radians(25)  # they go along +X


def test_heading_of_nothing_but_upside_down_is_that_of_rest():
    skeleton = REAL["free"][0]()
    over = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.full(4, np.pi))
    np.testing.assert_allclose(heading(spun(skeleton, np.zeros(4), over), find_body_map(skeleton)), 0.0)


def test_leg_length_of_the_urdf():
    """humanoid.urdf: knee at 1.686184 and ankle at 1.63948 below the joint above, scaled by 0.25."""
    built = REAL["pybullet"][0]()
    expected = 0.25 * (1.686184 + 1.63948)
    assert leg_length(built, find_body_map(built)) == pytest.approx(expected, abs=1e-9)
