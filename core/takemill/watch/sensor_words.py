"""What a sensor and its limb are called in a sentence that is read from three metres."""

from __future__ import annotations

from collections.abc import Mapping

from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.skeleton import Skeleton

_OF_A_SIDE: Mapping[str, tuple[str, str]] = {
    "Shoulder": ("shoulder", "arm"),
    "UpperArm": ("upper arm", "arm"),
    "LowerArm": ("forearm", "arm"),
    "Hand": ("hand", "arm"),
    "UpperLeg": ("thigh", "leg"),
    "LowerLeg": ("shin", "leg"),
    "Foot": ("foot", "leg"),
    "Toes": ("toes", "leg"),
}
_OF_THE_TRUNK: Mapping[str, tuple[str, str]] = {
    "hips": ("hips", "trunk"),
    "spine": ("spine", "trunk"),
    "chest": ("chest", "trunk"),
    "upperChest": ("upper chest", "trunk"),
    "neck": ("neck", "head"),
    "head": ("head", "head"),
}

SENSORS: Mapping[str, tuple[str, str]] = {
    **_OF_THE_TRUNK,
    **{
        side + part: (f"{side} {word}", f"{side} {limb}")
        for side in SIDES
        for part, (word, limb) in _OF_A_SIDE.items()
    },
}
"""Body part -> what its sensor is called, and the limb that it is on."""


def sensor_word(joint: str, skeleton: Skeleton, body: BodyMap) -> str:
    """What the sensor of a joint is called: by its part, else as the joint."""
    part = body.part_of(skeleton.index(joint)) if joint in skeleton.names else None
    return SENSORS[part][0] if part is not None and part in SENSORS else joint
