"""Bodies for tests of the body map: hand-written truth for real skeletons, and ways to change them."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

import open_data
from takemill.body.skeleton import Skeleton
from takemill.files.bvh import read_bvh
from takemill.maths import quat


def both(template: dict[str, str], left: str, right: str) -> dict[str, str]:
    """Part -> name for both sides, of a template without sides; "*" stands for the side in a name."""
    return {
        side + part: name.replace("*", event)
        for part, name in template.items()
        for side, event in (("left", left), ("right", right))
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


def _rest_of(number: int) -> Skeleton:
    """A file's skeleton as it rests."""
    return read_bvh(open_data.bvh_files()[number])[0].skeleton.with_reference(None)


def _in_namespace(skeleton: Skeleton) -> Skeleton:
    """The skeleton with "suit" for whatever its file has in front of the colon."""
    return replace(skeleton, names=tuple("suit:" + name.partition(":")[2] for name in skeleton.names))


# Name -> how to build it, its truth, and where it faces at rest in degrees.
REAL: dict[str, tuple[Callable[[], Skeleton], dict[str, str], float]] = {
    "pybullet": (lambda: open_data.humanoid3d("walk")[0].skeleton, PYBULLET, 90.0),
    "cmu": (lambda: open_data.cmu().skeleton, CMU, 0.0),
    "free": (lambda: _in_namespace(_rest_of(0)), FREE, 0.0),
    "bank": (lambda: _rest_of(1), BANK, 0.0),
}
# Parts that only a name can tell.
BY_NAME_ONLY = ("leftEye", "rightEye", "leftThumbMetacarpal", "rightThumbMetacarpal")


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


def by_shape(truth: dict[str, str], fingers_too: bool = True) -> dict[str, str]:
    return {
        part: name
        for part, name in truth.items()
        if part not in (BY_NAME_ONLY if "leftIndexProximal" not in truth else BY_NAME_ONLY[:2])
        and (fingers_too or not part.endswith(("Metacarpal", "Proximal", "Intermediate", "Distal")))
    }


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
