"""The parts of a body, and which joint plays which.

Parts carry the humanoid bone names of VRM 1.0 (VRMC_vrm-1.0, humanoid.md, list of humanoid bones), plus
"root" (a joint above the hips), "tail.0", "tail.1" ... (from the body outwards) and "prop.NAME" of ours.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from ..base.errors import BodyMapError
from .skeleton import Skeleton

SIDES = ("left", "right")
FINGERS: Mapping[str, tuple[str, str, str]] = {
    "Thumb": ("Metacarpal", "Proximal", "Distal"),
    **dict.fromkeys(("Index", "Middle", "Ring", "Little"), ("Proximal", "Intermediate", "Distal")),
}


def _humanoid() -> dict[str, str | None]:
    parts: dict[str, str | None] = {
        "hips": None, "spine": "hips", "chest": "spine", "upperChest": "chest",
        "neck": "upperChest", "head": "neck", "jaw": "head",
    }  # fmt: skip
    for side in SIDES:
        parts[f"{side}Eye"] = "head"
        for chain, above in (
            (("UpperLeg", "LowerLeg", "Foot", "Toes"), "hips"),
            (("Shoulder", "UpperArm", "LowerArm", "Hand"), "upperChest"),
        ):
            for part in chain:
                parts[side + part] = above
                above = side + part
        for finger, joints in FINGERS.items():
            above = f"{side}Hand"
            for joint in joints:
                parts[f"{side}{finger}{joint}"] = above
                above = f"{side}{finger}{joint}"
    return parts


HUMANOID: Mapping[str, str | None] = MappingProxyType(_humanoid())
"""VRM part -> the part above it (which a skeleton may lack: then the next above), None for the hips."""

_FREE = ("jaw", "Eye", "Thumb", "Index", "Middle", "Ring", "Little", "tail.", "prop.")

_OURS = re.compile(r"root|tail\.\d+|prop\..+")


def is_free(part: str) -> bool:
    """Whether a character can move a part by itself while the body does something else."""
    return any(word in part for word in _FREE)


@dataclass(frozen=True)
class BodyMap:
    """Part -> joint; a part or a joint stands at most once.

    Raises:
        BodyMapError: a part has no such name, or one joint plays two parts.
    """

    joints: Mapping[str, int]

    def __post_init__(self) -> None:
        seen: dict[int, str] = {}
        for part, joint in self.joints.items():
            if part not in HUMANOID and not _OURS.fullmatch(part):
                raise BodyMapError(f"body map: there is no part {part!r}; parts are named as in VRM 1.0")
            if joint in seen:
                raise BodyMapError(f"body map: joint {joint} plays both {seen[joint]!r} and {part!r}")
            seen[joint] = part
        object.__setattr__(self, "joints", MappingProxyType({p: int(j) for p, j in self.joints.items()}))

    def get(self, part: str) -> int | None:
        """The joint that plays `part`, or None."""
        return self.joints.get(part)

    def require(self, part: str) -> int:
        """The joint that plays `part`.

        Raises:
            BodyMapError: no joint plays it.
        """
        if part not in self.joints:
            raise BodyMapError(f"body map: no joint is mapped to {part!r}; name one by hand")
        return self.joints[part]

    def part_of(self, joint: int) -> str | None:
        """The part that a joint plays, or None."""
        return next((part for part, other in self.joints.items() if other == joint), None)

    def chain(self, stem: str) -> tuple[int, ...]:
        """The joints of a numbered chain from the body outwards: "tail" gives tail.0, tail.1 ..."""
        found: list[int] = []
        while (joint := self.joints.get(f"{stem}.{len(found)}")) is not None:
            found.append(joint)
        return tuple(found)

    @property
    def feet(self) -> tuple[str, ...]:
        """Those of "leftFoot" and "rightFoot" that are mapped."""
        return tuple(f"{side}Foot" for side in SIDES if f"{side}Foot" in self.joints)

    def names(self, skeleton: Skeleton) -> dict[str, str]:
        """Part -> joint name, as a recipe or a panel holds it."""
        return {part: skeleton.names[joint] for part, joint in self.joints.items()}

    @classmethod
    def from_names(cls, skeleton: Skeleton, names: Mapping[str, str]) -> BodyMap:
        """The map that gives each part to the joint of that name.

        Raises:
            BodyMapError: a part or a joint has no such name, or a joint stands twice.
        """
        for part, name in names.items():
            if name not in skeleton.names:
                raise BodyMapError(
                    f"body map: {part!r} is given to {name!r}, which is no joint of this skeleton"
                )
        return cls({part: skeleton.names.index(name) for part, name in names.items()})
