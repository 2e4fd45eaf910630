"""A recipe: all settings of a clip set, read from TOML.

name = "ferry"          # of the set and its file; the first take's name when left out
rate = 30               # frames per second of the clips; the take's own when left out
neutral = "idle"        # the clip whose first pose one-shots start and end in ...
blend_frames = 6        # ... after and before so many frames

[body]                  # only where the body map needs correcting: part = "joint"
leftFoot = "L_Ankle"

[characters.courier.body]   # the same for a character that the clips are fitted to, by its file's name
hips = "pelvis_ctl"
[characters.courier.fit]    # and what of [fit] is other for it
plant_feet = false

[characters.courier.springs]
find = true             # its tail, ears, hair and straps swing (see recipe_springs.py)

[loop]                  # also [intake] [repair] [contacts] [pin] [health] [cuts] [close] [root_motion] ...
longest_s = 6.0

[[clip]]                # without any, the suggested cuts are taken
name = "walk"
from = 41.5             # seconds, or frames of the take: "4980f"
to = 55.0               # the last pose of the clip
loop = true
root_motion = "root"         # "keep", "root" or "in_place"

[[variant]]             # a clip made from another
of = "walk"
mirror = true
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Literal

from ..base import disk
from ..base.errors import RecipeError
from ..body.intake import IntakeSettings
from ..clip.events import EventSettings
from ..clip.root_motion import RootMotionSettings
from ..clip.root_motion_parts import RootMotionParts
from ..cuts.cuts import CutSettings
from ..feet.contacts import ContactSettings
from ..feet.pin import PinSettings
from ..fit.fit import FitSettings
from ..health.check import HealthSettings
from ..keys.reduce import ReduceSettings
from ..loops.loop_close import CloseSettings
from ..loops.loop_search import LoopSettings
from ..repair.repair import RepairSettings
from . import tables
from .recipe_character import OVERRIDES, CharacterSpec, characters_from
from .recipe_clip import ClipSpec, Moment, VariantSpec, clip_from, expect_within, parse_moment, variant_from
from .recipe_names import expect_name, expect_pattern, expect_unique
from .recipe_springs import SpringsSpec, springs_from

__all__ = [
    "ABOVE_KEYS",
    "FBX",
    "FILES",
    "TABLES",
    "CharacterSpec",
    "ClipSpec",
    "Moment",
    "Recipe",
    "VariantSpec",
    "expect_name",
    "expect_unique",
    "parse_moment",
    "parse_recipe",
    "parts_of",
    "rate_of",
    "read_recipe",
    "recipe_from_settings",
]

FILES = ("one", "each", "separate")
"""How the clips of a set can be parted among files."""

FBX = ("none", "one", "each")
"""Which FBX files stand beside them."""

SAME_NAMES = ("refuse", "replace", "prefix")
"""What can become of a character's own animation that is called as a clip."""


@dataclass(frozen=True)
class Recipe:
    """All settings of a set of clips; each field that is a settings dataclass is a table of the file.

    Attributes:
        name: of the set; "" for the first take's.
        rate: frames per second of the clips; None for the take's.
        files: "one" GLB holds rig, mesh and all clips; "each" clip has such a GLB of its own; or mesh and
            clips are "separate": one GLB without clips, and one without mesh for each clip.
        fbx: "none"; or "one" FBX file holds rig, mesh and all clips, too; or "each" clip has such a file of
            its own. Blender writes them.
        naming: a pattern that names clips which have no name; "" for none.
        character: what stands for {character} there; "" for the set's name.
        neutral: the clip whose first pose one-shots are blended onto at both ends; "" for none.
        blend_frames: in how many frames, unless a clip says otherwise; 0 for none.
        body: part -> joint name, where the found body map is to be corrected; "" takes a part away.
        springs: the chains of the take's own skeleton that swing.
        characters: what is other for characters that the clips are fitted to, by their names.
        same_names: what becomes of a character's own animation that is called as a clip: "refuse" to pack,
            "replace" it, or keep both: "prefix" calls it own_NAME.
        clips: what to cut; empty for the suggested cuts.
        variants: what to make of them.
    """

    name: str = ""
    rate: float | None = None
    files: str = "one"
    fbx: str = "none"
    naming: str = ""
    character: str = ""
    neutral: str = ""
    blend_frames: int = 0
    same_names: str = "refuse"
    body: Mapping[str, str] = field(default_factory=dict)
    springs: SpringsSpec = field(default_factory=SpringsSpec)
    characters: Mapping[str, CharacterSpec] = field(default_factory=dict)
    clips: tuple[ClipSpec, ...] = ()
    variants: tuple[VariantSpec, ...] = ()
    intake: IntakeSettings = field(default_factory=IntakeSettings)
    repair: RepairSettings = field(default_factory=RepairSettings)
    health: HealthSettings = field(default_factory=HealthSettings)
    contacts: ContactSettings = field(default_factory=ContactSettings)
    pin: PinSettings = field(default_factory=PinSettings)
    cuts: CutSettings = field(default_factory=CutSettings)
    loop: LoopSettings = field(default_factory=LoopSettings)
    close: CloseSettings = field(default_factory=CloseSettings)
    root_motion: RootMotionSettings = field(default_factory=RootMotionSettings)
    events: EventSettings = field(default_factory=EventSettings)
    reduce: ReduceSettings = field(default_factory=ReduceSettings)
    fit: FitSettings = field(default_factory=FitSettings)

    def __post_init__(self) -> None:
        for name in self.cuts.shot_list:
            expect_name(name, "[cuts] shot_list")
        names = [clip.name for clip in self.clips if clip.name] + [one.name for one in self.variants]
        expect_unique(names, "recipe")
        if not self.neutral and (self.blend_frames or any(spec.blend_frames for spec in self.clips)):
            raise RecipeError('blend_frames: say onto which clip\'s first pose with neutral = "..."')
        # Settings inside settings have one table, for all stages that look at them.
        repair = replace(self.repair, contacts=self.contacts, pinning=self.pin)
        object.__setattr__(self, "repair", repair)
        object.__setattr__(self, "health", replace(self.health, contacts=self.contacts))

    def said_of(self, name: str) -> CharacterSpec | None:
        """What is said of a character; its name counts without letter case, as on many disks."""
        found = (one for key, one in self.characters.items() if key.casefold() == name.casefold())
        return next(found, None)

    def of_character(self, name: str) -> Recipe:
        """The recipe for one character: its own body map's corrections, settings and springs."""
        one = self.said_of(name) or CharacterSpec()
        over = {table: one.over(table, getattr(self, table)) for table in OVERRIDES}
        return replace(self, body=one.body, springs=one.springs, **over)


TABLES: Mapping[str, type] = {
    one.name: one.default_factory  # type: ignore[misc]
    for one in fields(Recipe)
    if isinstance(one.default_factory, type) and one.name not in ("body", "characters", "springs")
}
"""Name of a table -> the settings dataclass that it fills."""


def read_recipe(path: str | Path) -> Recipe:
    """The recipe in a TOML file.

    Raises:
        FileError: the file cannot be read.
        RecipeError: it is no recipe; the message holds the path and the key.
    """
    return parse_recipe(read_text(path), str(path))


def read_text(path: str | Path) -> str:
    """What a file of text holds.

    Raises:
        FileError: the file cannot be read.
        RecipeError: it is no UTF-8.
    """
    try:
        return disk.read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise RecipeError(f"{path}: not UTF-8 text (byte {problem.start})") from problem


_ABOVE: Mapping[str, object] = {
    "name": str, "rate": float, "files": Literal[FILES], "fbx": Literal[FBX], "naming": str,
    "character": str, "neutral": str, "blend_frames": int, "same_names": Literal[SAME_NAMES],
}  # fmt: skip
"""The keys that stand above the tables, and the types of their values."""

ABOVE_KEYS = tuple(_ABOVE)
"""The keys that stand above the tables."""


_MAX_CHARACTERS = 1_000_000  # a recipe of 200 clips has 40,000
_MAX_PARTS = 20  # of a name, where a recipe's have three; what reads TOML takes the cube of their number
_LONG_NAME = re.compile(
    rf"""(?<![\w.-])(?<!\. )(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){{{_MAX_PARTS}}}"""
)


def _expect_readable(text: str, source: str) -> None:
    """Refuse what would take minutes to read.

    Raises:
        RecipeError: it is too long, or a name has too many parts.
    """
    if len(text) > _MAX_CHARACTERS:
        raise RecipeError(f"{source}: {len(text)} characters; a recipe has at most {_MAX_CHARACTERS}")
    if found := _LONG_NAME.search(text):
        line = text.count("\n", 0, found.start()) + 1
        raise RecipeError(f"{source}: line {line} holds a name of more than {_MAX_PARTS} parts between dots")


def parse_recipe(text: str, source: str = "recipe") -> Recipe:
    """The recipe in a TOML text; `source` names it in messages.

    Raises:
        RecipeError: it is not TOML, has an unknown key, a value of another type, or two clips of one name.
    """
    return recipe_of_data(parse_toml(text, source), source)


def parse_toml(text: str, source: str) -> dict[str, object]:
    """What a TOML text holds, before anybody looks at its keys.

    Raises:
        RecipeError: it is not TOML, or would take minutes to read.
    """
    _expect_readable(text, source)
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as problem:  # int() of thousands of digits is a plain ValueError
        raise RecipeError(f"{source}: not TOML: {problem}") from problem


def recipe_of_data(data: Mapping[str, object], source: str) -> Recipe:
    """The recipe that TOML holds; `source` names it in messages.

    Raises:
        RecipeError: an unknown key, a value of another type, or two clips of one name.
    """
    values = recipe_values(data, source)
    try:
        return Recipe(**values)  # type: ignore[arg-type]
    except RecipeError as problem:
        raise RecipeError(f"{source}: {problem}") from problem


def recipe_values(data: Mapping[str, object], source: str) -> dict[str, object]:
    """The fields of a recipe that TOML sets, each looked at by itself: all that a part of a recipe must be.

    Raises:
        RecipeError: an unknown key, or a value of another type.
    """
    tables.expect_known(data, [*_ABOVE, "body", "characters", "springs", "clip", "variant", *TABLES], source)
    values = _above(data, source)
    if "body" in data:
        values["body"] = tables.value_of(data["body"], Mapping[str, str], f"{source}: [body]")
    if "springs" in data:
        values["springs"] = springs_from(data["springs"], f"{source}: [springs]")
    if "characters" in data:
        values["characters"] = characters_from(data["characters"], f"{source}: [characters]")
    for name, kind in TABLES.items():
        if name in data:
            values[name] = tables.settings_from(data[name], kind, f"{source}: [{name}]")
    values["clips"] = tuple(
        clip_from(table, f"{source}: clip {k}", "naming" in values)
        for k, table in enumerate(_list_of(data, "clip", source), 1)
    )
    values["variants"] = tuple(
        variant_from(table, f"{source}: variant {k}")
        for k, table in enumerate(_list_of(data, "variant", source), 1)
    )
    return values


def _list_of(data: Mapping[str, object], key: str, source: str) -> list[object]:
    found = data.get(key, [])
    if not isinstance(found, list):
        raise RecipeError(f"{source}: {key}s stand in double brackets: [[{key}]]")
    return found


def recipe_from_settings(table: Mapping[str, object], source: str) -> Recipe:
    """The recipe whose settings `recipe_write.settings_table` wrote: no clips, names and body maps.

    Raises:
        RecipeError: a key is unknown, or a value of another type.
    """
    tables.expect_known(table, [*_ABOVE, *TABLES], source)
    said = {key: value for key, value in table.items() if value is not None}
    values = {
        key: tables.value_of(said[key], _ABOVE[key], f"{source} {key}") for key in _ABOVE if key in said
    }
    for name, kind in TABLES.items():
        one = {
            key: value
            for key, value in tables.expect_table(said.get(name, {}), name).items()
            if value is not None
        }
        values[name] = tables.settings_from(one, kind, f"{source} [{name}]")
    return Recipe(**values)


def _above(data: Mapping[str, object], source: str) -> dict[str, object]:
    """What stands above the tables."""
    values = {
        key: tables.value_of(data[key], hint, f"{source}: {key}")
        for key, hint in _ABOVE.items()
        if key in data
    }
    for key, check in (("name", expect_name), ("character", expect_name), ("naming", expect_pattern)):
        if key in values:
            values[key] = check(values[key], f"{source}: {key}")
    expect_within({key: values[key] for key in ("rate", "blend_frames") if key in values}, f"{source}:")
    return values


def rate_of(spec: ClipSpec, recipe: Recipe, take_rate: float) -> float:
    """The frames per second that a clip leaves with."""
    return spec.rate or recipe.rate or take_rate


def parts_of(spec: ClipSpec, recipe: Recipe) -> RootMotionParts:
    """Where each part of a clip's root motion goes."""
    return spec.parts(recipe.root_motion.planar, recipe.root_motion.turn, recipe.root_motion.height)
