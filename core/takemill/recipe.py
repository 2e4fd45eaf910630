"""A recipe: all settings of a clip set, read from TOML.

name = "ferry"          # of the set and its file; the first take's name when left out
rate = 30               # frames per second of the clips; the take's own when left out

[body]                  # only where the body map needs correcting: part = "joint"
leftFoot = "L_Ankle"

[loop]                  # also [repair] [contacts] [health] [cuts] [close] [travel] [reduce] [fit]
longest_s = 6.0

[[clip]]                # without any, the suggested cuts are taken
name = "walk"
from = 41.5             # seconds, or frames of the take: "4980f"
to = 55.0               # the last pose of the clip
loop = true
travel = "root"         # "keep", "root" or "in_place"
"""

from __future__ import annotations

import re
import tomllib
import unicodedata
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Literal

from . import disk, tables
from .contacts import ContactSettings
from .cuts import KINDS, Cut, CutSettings
from .errors import RecipeError
from .fit import FitSettings
from .footlock import FootlockSettings
from .health import HealthSettings
from .loop_close import CloseSettings
from .loop_search import LoopSettings
from .reduce import ReduceSettings
from .repair import RepairSettings
from .travel import MODES, TravelSettings

FILES = ("one", "each", "apart")
"""How the clips of a set can be parted among files."""

_LATEST = 1e9  # seconds
_NAME_BYTES = 63  # what Blender 4.5 keeps of a name
_NAME_FORBIDDEN = '/\\:*?"<>|'  # in file names on some system, or in node paths of engines
_DEVICES = {"con", "prn", "aux", "nul", *(f"{port}{n}" for port in ("com", "lpt") for n in range(1, 10))}


@dataclass(frozen=True)
class Moment:
    """A time in a take: seconds, or frames of the take."""

    value: float
    in_frames: bool = False

    def frame(self, rate: float) -> int:
        """The nearest frame of a take with `rate` frames per second."""
        return round(self.value if self.in_frames else self.value * rate)

    def __str__(self) -> str:
        return f"{self.value:g}f" if self.in_frames else f"{self.value:g} s"


@dataclass(frozen=True)
class ClipSpec:
    """A clip as it was asked for.

    Attributes:
        name: of the clip, in the set.
        start: its first pose.
        stop: its last pose, included: from 1 s to 3 s lasts two seconds.
        loop: whether it repeats.
        search: for a loop, whether the best seam is looked for inside the range; otherwise the range's
            ends are the seam.
        travel: where the way over the floor goes: stay on the body ("keep"), onto the root joint ("root"),
            or away ("in_place").
        rate: frames per second; None for the recipe's.
        smooth_hz: low-pass of the root track; None for the recipe's [travel].
        take: the take's name; "" where there is only one.
        kind: one of cuts.KINDS; "" to be told from the motion.
    """

    name: str
    start: Moment
    stop: Moment
    loop: bool = False
    search: bool = True
    travel: str = "root"
    rate: float | None = None
    smooth_hz: float | None = None
    take: str = ""
    kind: str = ""

    @classmethod
    def from_cut(cls, cut: Cut, take: str = "", name: str = "") -> ClipSpec:
        """The clip that a suggested cut becomes: an idle stays in place, all others travel by the root."""
        travel = "in_place" if cut.kind == "still" else "root"
        return cls(
            name or cut.name,
            Moment(cut.start, in_frames=True),
            Moment(cut.stop - 1, in_frames=True),
            cut.loop,
            travel=travel,
            take=take,
            kind=cut.kind,
        )

    def frames(self, count: int, rate: float) -> tuple[int, int]:
        """The frames [start, stop) of a take of `count` frames at `rate`.

        Raises:
            RecipeError: the clip leaves the take or has less than two frames.
        """
        start, stop = self.start.frame(rate), self.stop.frame(rate) + 1
        last = f"{(count - 1) / rate:.3f} s (frame {count - 1})"
        if not 0 <= start < count or not 0 < stop <= count:
            raise RecipeError(
                f"clip {self.name!r}: from {self.start} to {self.stop} leaves the take, which ends at {last}"
            )
        if stop - start < 2:
            raise RecipeError(
                f"clip {self.name!r}: from {self.start} to {self.stop} holds less than two frames; "
                "'to' must be later than 'from'"
            )
        return start, stop


@dataclass(frozen=True)
class Recipe:
    """All settings of a set of clips; each field that is a settings dataclass is a table of the file.

    Attributes:
        name: of the set; "" for the first take's.
        rate: frames per second of the clips; None for the take's.
        files: "one" GLB holds rig, mesh and all clips; "each" clip has such a GLB of its own; or mesh and
            clips are "apart": one GLB without clips, and one without mesh for each clip.
        body: part -> joint name, where the found body map is to be corrected; "" takes a part away.
        clips: what to cut; empty for the suggested cuts.
    """

    name: str = ""
    rate: float | None = None
    files: str = "one"
    body: Mapping[str, str] = field(default_factory=dict)
    clips: tuple[ClipSpec, ...] = ()
    repair: RepairSettings = field(default_factory=RepairSettings)
    health: HealthSettings = field(default_factory=HealthSettings)
    contacts: ContactSettings = field(default_factory=ContactSettings)
    footlock: FootlockSettings = field(default_factory=FootlockSettings)
    cuts: CutSettings = field(default_factory=CutSettings)
    loop: LoopSettings = field(default_factory=LoopSettings)
    close: CloseSettings = field(default_factory=CloseSettings)
    travel: TravelSettings = field(default_factory=TravelSettings)
    reduce: ReduceSettings = field(default_factory=ReduceSettings)
    fit: FitSettings = field(default_factory=FitSettings)

    def __post_init__(self) -> None:
        expect_unique((clip.name for clip in self.clips), "recipe")
        # Settings inside settings have one table, for all stages that look at them.
        repair = replace(self.repair, contacts=self.contacts, footlock=self.footlock)
        object.__setattr__(self, "repair", repair)
        object.__setattr__(self, "health", replace(self.health, contacts=self.contacts))


TABLES: Mapping[str, type] = {
    one.name: one.default_factory  # type: ignore[misc]
    for one in fields(Recipe)
    if isinstance(one.default_factory, type) and one.name != "body"
}
"""Name of a table -> the settings dataclass that it fills."""


def read_recipe(path: str | Path) -> Recipe:
    """The recipe in a TOML file.

    Raises:
        FileError: the file cannot be read.
        RecipeError: it is no recipe; the message holds the path and the key.
    """
    try:
        text = disk.read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as problem:
        raise RecipeError(f"{path}: not UTF-8 text (byte {problem.start})") from problem
    return parse_recipe(text, str(path))


def parse_recipe(text: str, source: str = "recipe") -> Recipe:
    """The recipe in a TOML text; `source` names it in messages.

    Raises:
        RecipeError: it is not TOML, has an unknown key, a value of another type, or two clips of one name.
    """
    try:
        data = tomllib.loads(text)
    except (ValueError, RecursionError) as problem:  # int() of thousands of digits is a plain ValueError
        raise RecipeError(f"{source}: not TOML: {problem}") from problem
    tables.expect_known(data, ["name", "rate", "files", "body", "clip", *TABLES], source)
    values: dict[str, object] = {}
    if "name" in data:
        values["name"] = expect_name(tables.value_of(data["name"], str, f"{source}: name"), f"{source}: name")
    if "rate" in data:
        values["rate"] = _rate(data["rate"], f"{source}: rate")
    if "files" in data:
        values["files"] = tables.value_of(data["files"], Literal[FILES], f"{source}: files")
    if "body" in data:
        values["body"] = tables.value_of(data["body"], Mapping[str, str], f"{source}: [body]")
    for name, kind in TABLES.items():
        if name in data:
            values[name] = tables.settings_from(data[name], kind, f"{source}: [{name}]")
    clips = data.get("clip", [])
    if not isinstance(clips, list):
        raise RecipeError(f"{source}: clips stand in double brackets: [[clip]]")
    values["clips"] = tuple(_clip(table, f"{source}: clip {k}") for k, table in enumerate(clips, 1))
    try:
        return Recipe(**values)  # type: ignore[arg-type]
    except RecipeError as problem:
        raise RecipeError(f"{source}: {problem}") from problem


_CLIP_KEYS = {
    "name": str, "from": object, "to": object, "loop": bool, "search": bool, "travel": str, "rate": float,
    "smooth_hz": float, "take": str, "kind": str,
}  # fmt: skip


def _clip(table: object, place: str) -> ClipSpec:
    table = tables.expect_table(table, place)
    tables.expect_known(table, _CLIP_KEYS, place)
    for key in ("name", "from", "to"):
        if key not in table:
            raise RecipeError(f"{place}: {key!r} is missing; a clip has at least name, from and to")
    name = expect_name(tables.value_of(table["name"], str, f"{place} name"), f"{place} name")
    place = f"{place} ({name!r})"
    values = {
        key: tables.value_of(value, _CLIP_KEYS[key], f"{place} {key}")
        for key, value in table.items()
        if key not in ("name", "from", "to", "rate")
    }
    for key, choices in (("travel", MODES), ("kind", KINDS)):
        if key in values and values[key] not in choices:
            raise RecipeError(f"{place} {key}: expected one of {', '.join(choices)}, got {values[key]!r}")
    if "rate" in table:
        values["rate"] = _rate(table["rate"], f"{place} rate")
    if values.get("smooth_hz", 0.0) < 0:
        raise RecipeError(
            f"{place} smooth_hz: expected 0 (no smoothing) or more, got {values['smooth_hz']:g}"
        )
    start, stop = (_moment(table[key], f"{place} {key}") for key in ("from", "to"))
    return ClipSpec(name=name, start=start, stop=stop, **values)


def _moment(value: object, place: str) -> Moment:
    if isinstance(value, str):
        if not value.endswith("f"):
            raise RecipeError(f'{place}: expected seconds (4.5) or frames ("540f"), got {value!r}')
        return parse_moment(value, place)
    seconds = tables.value_of(value, float, place)
    if not 0 <= seconds < _LATEST:
        raise RecipeError(f"{place}: expected seconds from 0 on, got {seconds:g}")
    return Moment(seconds)


def parse_moment(text: str, place: str) -> Moment:
    """The time that a text says: "4.5" for seconds, "540f" for frames.

    Raises:
        RecipeError: it says neither.
    """
    digits, in_frames = text.removesuffix("f").strip(), text.endswith("f")
    number = re.compile(r"\d{1,15}" if in_frames else r"\d{1,9}(\.\d*)?|\.\d+", re.ASCII)
    if not number.fullmatch(digits):
        raise RecipeError(f'{place}: expected seconds (4.5) or frames ("540f"), got {text!r}')
    return Moment(float(digits), in_frames)


def _rate(value: object, place: str) -> float:
    rate: float = tables.value_of(value, float, place)
    if not 1 <= rate <= 1000:
        raise RecipeError(f"{place}: expected 1 to 1000 frames per second, got {rate:g}")
    return rate


def expect_name(name: str, place: str) -> str:
    """Insist on a name that files, nodes and Blender all accept; returns it in Unicode's composed form.

    Raises:
        RecipeError: it is empty, too long, or holds what one of them refuses.
    """
    name = unicodedata.normalize("NFC", name)
    try:
        size = len(name.encode())
    except UnicodeEncodeError as problem:
        raise RecipeError(f"{place}: {name!r} holds half a character") from problem
    odd = next((char for char in name if char in _NAME_FORBIDDEN or not char.isprintable()), None)
    if odd is not None:
        raise RecipeError(f"{place}: {name!r} holds {odd!r}, which a file name cannot")
    if not name or name != name.strip(" .") or name.split(".")[0].casefold() in _DEVICES:
        raise RecipeError(f"{place}: {name!r} is no name that every file system accepts; use another")
    if size > _NAME_BYTES:
        raise RecipeError(f"{place}: {name[:24]!r}... takes {size} bytes; at most {_NAME_BYTES} are kept")
    return name


def expect_unique(names: Iterable[str], place: str) -> None:
    """Insist on names that differ in more than case, which some file systems do not tell apart.

    Raises:
        RecipeError: two are the same.
    """
    seen: set[str] = set()
    for name in names:
        key = unicodedata.normalize("NFC", name).casefold()
        if key in seen:
            raise RecipeError(f"{place}: two clips are called {name!r}; clips need names of their own")
        seen.add(key)


def rate_of(spec: ClipSpec, recipe: Recipe, take_rate: float) -> float:
    """The frames per second that a clip leaves with."""
    return spec.rate or recipe.rate or take_rate
