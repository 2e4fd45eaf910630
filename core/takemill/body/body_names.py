"""What a joint's name says: its side, the parts that it may play, or that it only helps.

A name is cut at punctuation, digits and changes of case; a word that is glued together ("lfemur",
"upperarm") is cut into words of the vocabulary. Everything else in a name is ignored, so any prefix
or namespace does no harm. The words are the anatomical and the animators' terms; common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache

_SIDES = {"left": "left", "right": "right", "l": "left", "r": "right"}
# Joints that drive, roll, aim or end others and are no part themselves.
_HELPERS = frozenset({
    "ik", "pole", "target", "twist", "roll", "helper", "ctrl", "control", "mch", "nub", "end", "site",
    "tip", "top", "aim", "effector", "dummy", "pony", "pig", "coat", "hair", "cloth", "skirt", "cape",
    "ribbon", "muscle", "heel",
})  # fmt: skip
_NEUTRAL = frozenset({"joint", "jnt", "bone", "def", "org", "fk", "base"})
_UPPER, _LOWER = frozenset({"upper", "up"}), frozenset({"lower", "low", "fore"})

# Part -> the words that name it and nothing else. Sided parts are written without their side.
_NAMED = {
    "hips": "hips pelvis",
    "spine": "spine torso trunk abdomen belly waist back",
    "chest": "chest thorax rib ribs ribcage sternum",
    "neck": "neck",
    "head": "head skull cranium",
    "Eye": "eye eyeball",
    "jaw": "jaw mandible",
    "UpperLeg": "thigh femur upleg",
    "LowerLeg": "shin calf tibia knee loleg",
    "Foot": "foot ankle",
    "Toes": "toe toes ball",
    "Shoulder": "clavicle collar collarbone scapula",
    "UpperArm": "humerus bicep biceps",
    "LowerArm": "forearm radius ulna elbow",
    "Hand": "hand",
    "Thumb": "thumb",
    "Index": "index pointer forefinger",
    "Middle": "middle mid",
    "Ring": "ring",
    "Little": "little pinky pinkie",
    "tail": "tail",
    "root": "root origin ground reference",
    "prop": "prop weapon",
}
# Word -> the parts that it may name, with how surely.
_WORDS: dict[str, dict[str, float]] = {
    **{word: {part: 1.0} for part, words in _NAMED.items() for word in words.split()},
    "leg": {"LowerLeg": 0.6, "UpperLeg": 0.5},
    "shoulder": {"Shoulder": 0.6, "UpperArm": 0.5},
    "arm": {"UpperArm": 0.8, "LowerArm": 0.2},
    "wrist": {"Hand": 1.0},
}
_FINGERS = ("Thumb", "Index", "Middle", "Ring", "Little")
# Words that no part follows from, but that belong to the trade: they cut glued names and rule parts out.
_OTHERS = frozenset({
    "hip", "palm", "metacarpal", "carpal", "finger", "fingers", "face", "ear", "lip", "brow", "lid", "lash",
    "tongue", "teeth", "forehead", "headset", "temple", "nose", "cheek", "breast", "buttock", "wing", "armor",
    "armour", "legs", "arms", "hands", "feet", "eyes", "eyelid", "eyebrow", "pocket", "belt",
})  # fmt: skip
_VOCABULARY = (
    frozenset(_WORDS) | _OTHERS | _HELPERS | _NEUTRAL | _UPPER | _LOWER | frozenset(_SIDES) - {"l", "r"}
)
_CUTS = re.compile(r"[A-Z]+(?=[A-Z][a-z])|[A-Z]?[a-z]+|[A-Z]+|\d+")


@dataclass(frozen=True)
class Hint:
    """What one name says.

    Attributes:
        side: "left", "right" or "".
        parts: unsided part -> how surely, 0 to 1; empty when the name says nothing.
        helper: the joint only helps others.
        words: all words and numbers of the name, in order and lower case.
    """

    side: str
    parts: Mapping[str, float]
    helper: bool
    words: tuple[str, ...]

    def says(self, part: str) -> float:
        """How surely the name speaks for an unsided part: 0 to 1, or -0.5 when it names another one."""
        if self.helper:
            return -0.5
        return self.parts.get(part, -0.5 if self.parts else 0.0)

    @property
    def best(self) -> str:
        """The likeliest part, unsided, or ""."""
        return "" if self.helper or not self.parts else max(self.parts, key=lambda p: self.parts[p])


@cache
def read_name(name: str) -> Hint:
    """The hint that a joint's name gives; what stands before a ":" or "|" (a namespace) is left out."""
    words = words_of(re.split(r"[:|]", name)[-1])
    sides = {_SIDES[word] for word in words if word in _SIDES}
    side = sides.pop() if len(sides) == 1 else ""
    known = [word for word in words if word in _VOCABULARY]
    helper = any(word in _HELPERS for word in known)
    return Hint(side, _parts(known, side), helper, words)


def words_of(name: str) -> tuple[str, ...]:
    """A name's words and numbers, in order and lower case."""
    out: list[str] = []
    for piece in _CUTS.findall(name):
        out.extend(_unglued(piece.lower()))
    return tuple(out)


def _unglued(piece: str) -> tuple[str, ...]:
    if piece in _VOCABULARY or piece in _SIDES or piece.isdigit():
        return (piece,)
    if found := _segments(piece):
        return found
    # One letter for the side, glued on in front or behind: "lfemur", "footr".
    if piece[0] in "lr" and (found := _segments(piece[1:])):
        return (piece[0], *found)
    if piece[-1] in "lr" and (found := _segments(piece[:-1])):
        return (*found, piece[-1])
    return (piece,)


def _segments(text: str) -> tuple[str, ...]:
    """`text` as words of the vocabulary, longest first; () when it is not made of them."""
    for stop in range(len(text), 1, -1):
        if text[:stop] in _VOCABULARY:
            if stop == len(text):
                return (text,)
            if rest := _segments(text[stop:]):
                return (text[:stop], *rest)
    return ()


def _parts(words: list[str], side: str) -> dict[str, float]:
    upper, lower = (any(word in group for word in words) for group in (_UPPER, _LOWER))
    named: dict[str, float] = {}
    for word in words:
        for part, weight in _WORDS.get(word, {}).items():
            named[part] = max(weight, named.get(part, 0.0))
    fingers = {part: weight for part, weight in named.items() if part in _FINGERS}
    if fingers:  # "ring" of a hand, or of a foot
        return {"Toes": 0.5} if {"toe", "toes", "foot"} & set(words) else fingers
    if "palm" in words or "metacarpal" in words or "finger" in words or "fingers" in words:
        return {}
    for limb in ("Leg", "Arm"):
        if limb.lower() in words and upper != lower:
            return {("Upper" if upper else "Lower") + limb: 1.0}
    if "hip" in words:
        return {"UpperLeg": 0.5 if "joint" in words else 0.7} if side else {"hips": 1.0}
    if side and ("hips" in named or "jaw" in named):  # a bone on one half of the pelvis or of the face
        return {}
    for part in ("prop", "tail", "Toes", "Foot", "Hand"):
        if part in named:  # "foot" in "leg_foot" is the foot; "prop" in "hand_prop" is the prop
            return {part: named[part]}
    return named
