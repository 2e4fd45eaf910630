"""The clips of a recipe, and the clips that are made from them: what was asked for, and how TOML says it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any

from ..base.errors import RecipeError
from ..clip.root_motion import MODES
from ..clip.root_motion_parts import WORDS, RootMotionParts
from ..cuts.cuts import KINDS, Cut
from . import tables
from .limits import expect_usable
from .recipe_names import expect_name

# Common practice, no source: no take is longer, and no clip is meant that exceeds these.
_MAX_TIME_S = 1e9
_MAX_SPEED_FACTOR = 10.0  # of a retimed clip, and its inverse
_MAX_BLEND_FRAMES = 1000


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
class NamedMoment:
    """A user's event: its name, and a time in the take."""

    name: str
    at: Moment


@dataclass(frozen=True)
class ClipSpec:
    """A clip as it was asked for.

    Attributes:
        name: of the clip, in the set; "" to be filled by the recipe's naming.
        start: its first pose.
        stop: its last pose, included: from 1 s to 3 s lasts two seconds.
        loop: whether it repeats.
        search: for a loop, whether the best seam is looked for inside the range; otherwise the range's
            ends are the seam.
        root_motion: where the way over the floor and the turn go: stay on the body ("keep"), onto the root
            joint ("root"), or away ("in_place"); which of them, the recipe's [root_motion] says.
        rate: frames per second; None for the recipe's.
        smooth_hz: low-pass of the root track; None for the recipe's [root_motion].
        take: the take's name; "" where there is only one.
        kind: one of cuts.KINDS; "" to be found from the motion.
        planar, turn, height: "keep", "root" or "remove" for one part of it; "" as `root_motion` says.
        straight: whether the bends are taken out of the path.
        constant_speed: whether the path is walked at one speed.
        turn_deg: the turn of the whole clip, to the side to which the take turns; None leaves it.
        blend_frames: of a one-shot, in how many of its frames each end goes over into the set's neutral
            pose; 0 leaves the ends alone, None is the recipe's.
        events: the user's own, by times of the take.
        stretches: first and last pose of stretches that are joined to one; empty for `start` to `stop`,
            else these are the first stretch's and the last one's.
        follows, leads_to: the loop, by its name, in whose pose and speed the clip begins, and that in which
            it ends; "" for none. With `search` such an end is moved to the take's pose that is most like it.
        in_parts: whether a gait from rest to rest becomes its start, loop, turns and stop, each a clip.
        length_s: of an idle, how long it shall last: parts of the calm in its range or stretches, in an order
            of their own; without `search` the stretches just as they stand. None for other clips.
        seed: of that order.
    """

    name: str
    start: Moment
    stop: Moment
    loop: bool = False
    search: bool = True
    root_motion: str = "root"
    rate: float | None = None
    smooth_hz: float | None = None
    take: str = ""
    kind: str = ""
    planar: str = ""
    turn: str = ""
    height: str = ""
    straight: bool = False
    constant_speed: bool = False
    turn_deg: float | None = None
    blend_frames: int | None = None
    events: tuple[NamedMoment, ...] = ()
    stretches: tuple[tuple[Moment, Moment], ...] = ()
    length_s: float | None = None
    seed: int = 0
    follows: str = ""
    leads_to: str = ""
    in_parts: bool = False

    @property
    def loops(self) -> dict[str, str]:
        """The loops that it goes over into, by the key that says so: "follows", "leads_to"."""
        said = {"follows": self.follows, "leads_to": self.leads_to}
        return {key: name for key, name in said.items() if name}

    @property
    def known_parts(self) -> tuple[str, ...]:
        """The names of the clips that it surely becomes."""
        return (
            tuple(part_name(self.name, one) for one in ("start", "loop", "stop"))
            if self.in_parts
            else (self.name,)
        )

    @classmethod
    def from_cut(cls, cut: Cut, take: str = "", name: str | None = None) -> ClipSpec:
        """The clip that a suggested cut becomes: who rests stays in place, all others move by the root."""
        root_motion = "in_place" if cut.kind in ("idle", "lying") else "root"
        return cls(
            cut.name if name is None else name,
            Moment(cut.start, in_frames=True),
            Moment(cut.stop - 1, in_frames=True),
            cut.loop,
            search=not cut.exact,
            root_motion=root_motion,
            take=take,
            kind=cut.kind,
            follows=cut.follows,
            leads_to=cut.leads_to,
        )

    def __str__(self) -> str:
        return f"clip {self.name!r}" if self.name else f"the clip from {self.start}"

    def ranges(self, count: int, rate: float) -> tuple[tuple[int, int], ...]:
        """The frames [start, stop) of a take of `count` frames at `rate`, one range for each stretch.

        Raises:
            RecipeError: one leaves the take or has less than two frames.
        """
        last = f"{(count - 1) / rate:.3f} s (frame {count - 1})"
        out = []
        for first, end in self.stretches or ((self.start, self.stop),):
            start, stop = first.frame(rate), end.frame(rate) + 1
            if not 0 <= start < count or not 0 < stop <= count:
                raise RecipeError(f"{self}: from {first} to {end} leaves the take, which ends at {last}")
            if stop - start < 2:
                raise RecipeError(
                    f"{self}: from {first} to {end} holds less than two frames; "
                    "'to' must be later than 'from'"
                )
            out.append((start, stop))
        return tuple(out)

    def frames(self, count: int, rate: float) -> tuple[int, int]:
        """The frames [start, stop) between which all of it lies.

        Raises:
            RecipeError: as `ranges` does.
        """
        starts, stops = zip(*self.ranges(count, rate), strict=True)
        return min(starts), max(stops)

    def parts(self, planar: bool = True, turn: bool = True, height: bool = False) -> RootMotionParts:
        """Where each part of the root motion goes; the arguments say which ones follow `root_motion`."""
        common = {"in_place": "remove"}.get(self.root_motion, self.root_motion)
        words = (self.planar, self.turn, self.height)
        follow = (planar, turn, height)
        return RootMotionParts(
            *(word or (common if on else "keep") for word, on in zip(words, follow, strict=True))
        )


@dataclass(frozen=True)
class VariantSpec:
    """A clip made from another one of the set.

    Attributes:
        of: the name of that clip.
        name: of the new one.
        mirror: whether left and right are exchanged.
        speed: how many times as fast it plays.
        additive_to: the clip whose pose is taken off, so that the rest can be added to other poses; "" for a
            clip of its own.
        against: "pose" takes off that clip's first pose, "clip" the whole of it, spread over the length.
    """

    of: str
    name: str = ""
    mirror: bool = False
    speed: float = 1.0
    additive_to: str = ""
    against: str = "pose"

    def __post_init__(self) -> None:
        words = ["mirrored"] * self.mirror + [f"x{self.speed:g}"] * (self.speed != 1)
        words += ["additive"] * bool(self.additive_to)
        object.__setattr__(self, "name", self.name or "_".join([self.of, *words]))

    def __str__(self) -> str:
        return f"variant {self.name!r}"


AGAINST = ("pose", "clip")


def part_name(name: str, part: str) -> str:
    """The name of a part of a gait, after the whole one's: "walk_forward_start_01"."""
    stem, number = re.fullmatch(r"(.*?)(_\d+)?", name).groups("")  # type: ignore[union-attr]
    return f"{stem}_{part}{number}"


CLIP_KEYS: Mapping[str, Any] = {
    "name": str, "from": object, "to": object, "stretches": object, "loop": bool, "search": bool,
    "root_motion": str, "planar": str, "turn": str, "height": str, "rate": float, "smooth_hz": float,
    "straight": bool, "constant_speed": bool, "turn_deg": float, "blend_frames": int, "events": object,
    "take": str, "kind": str, "follows": str, "leads_to": str, "in_parts": bool,
    "length_s": float, "seed": int,
}  # fmt: skip
"""The keys of [[clip]] and the types of their values."""

VARIANT_KEYS: Mapping[str, Any] = {
    one.name: {"bool": bool, "float": float}.get(str(one.type), str) for one in fields(VariantSpec)
}
"""The keys of [[variant]] and the types of their values."""

_CHOICES = {
    "root_motion": MODES,
    "kind": KINDS,
    "planar": WORDS,
    "turn": WORDS,
    "height": WORDS,
    "against": AGAINST,
}
_RANGES = {  # least, most, and what the least means
    "rate": (1, 1000, " frames per second"),
    "smooth_hz": (0, _MAX_TIME_S, " (0 is no smoothing)"),
    "turn_deg": (0, 3600, ", to the side to which the take turns"),
    "blend_frames": (0, _MAX_BLEND_FRAMES, " frames"),
    "length_s": (1, 600, " seconds"),
    "seed": (0, 100_000, ""),
    "speed": (1 / _MAX_SPEED_FACTOR, _MAX_SPEED_FACTOR, " times"),
}  # fmt: skip


def clip_from(table: object, place: str, unnamed: bool) -> ClipSpec:
    """The clip that a table of [[clip]] asks for; `unnamed` ones are allowed where a pattern names them.

    Raises:
        RecipeError: a key is missing or unknown, or a value makes no sense.
    """
    table = tables.expect_table(table, place)
    tables.expect_known(table, CLIP_KEYS, place)
    needed = ("stretches",) if "stretches" in table else ("from", "to")
    for key in needed if unnamed else ("name", *needed):
        if key not in table:
            raise RecipeError(
                f"{place}: {key!r} is missing; a clip has at least name (or the recipe a naming), from and to"
            )
    name, place = _named(table, place)
    values = _values(table, CLIP_KEYS, place, leave=("name", "from", "to", "stretches", "events"))
    if "stretches" in table:
        values["stretches"] = stretches = _stretches(table, place)
        start, stop = stretches[0][0], stretches[-1][1]
    else:
        start, stop = (moment(table[key], f"{place} {key}") for key in ("from", "to"))
    if "events" in table:
        values["events"] = _events(table["events"], f"{place} events")
    expect_one_way(values, place)
    _expect_idle(values, place)
    return ClipSpec(name=name, start=start, stop=stop, **values)


def expect_one_way(values: Mapping[str, Any], place: str) -> None:
    """Insist on a clip that is one of: a loop, joined to loops, made of stretches, a gait in its parts.

    Raises:
        RecipeError: its values say two of these.
    """
    said = [key for key in ("loop", "in_parts", "stretches") if values.get(key)]
    said += [key for key in ("follows", "leads_to") if values.get(key)][:1]
    if len(said) > 1 and said != ["loop", "stretches"]:
        raise RecipeError(f"{place}: {said[0]} and {said[1]} do not go together")


def _expect_idle(values: dict[str, Any], place: str) -> None:
    """Insist on keys of an idle with a length that go together; it is of kind idle, and a loop."""
    if "length_s" not in values:
        if "seed" in values:
            raise RecipeError(f"{place} seed: it chooses the order of an idle's parts; add length_s")
        return
    if not values.setdefault("loop", True):
        raise RecipeError(f"{place} length_s: an idle of that length is a loop; leave loop = false out")
    if values.setdefault("kind", "idle") not in ("idle", "lying"):
        raise RecipeError(f"{place} length_s: only an idle has one; its kind is {values['kind']!r}")
    if not values.get("search", True) and "stretches" not in values:
        raise RecipeError(f"{place} length_s: with search = false its parts must be given as stretches")
    for key in ("events", "straight", "constant_speed", "turn_deg"):
        if key in values:
            raise RecipeError(f"{place}: {key!r} and length_s do not go together")


def variant_from(table: object, place: str) -> VariantSpec:
    """The variant that a table of [[variant]] asks for.

    Raises:
        RecipeError: a key is missing or unknown, or a value makes no sense.
    """
    table = tables.expect_table(table, place)
    tables.expect_known(table, VARIANT_KEYS, place)
    if "of" not in table:
        raise RecipeError(f"{place}: 'of' is missing; a variant says which clip it is made from")
    if not {"mirror", "speed", "additive_to"} & set(table):
        raise RecipeError(f"{place}: it would be the same clip; add mirror, speed or additive_to")
    if "against" in table and "additive_to" not in table:
        raise RecipeError(f"{place}: 'against' needs additive_to")
    _, named = _named(table, place)
    spec = VariantSpec(**_values(table, VARIANT_KEYS, named))
    expect_name(spec.name, f"{place} name")
    return spec


def _named(table: Mapping[str, object], place: str) -> tuple[str, str]:
    """A table's name, "" where it has none, and its place with the name."""
    if "name" not in table:
        return "", place
    name = expect_name(tables.value_of(table["name"], str, f"{place} name"), f"{place} name")
    return name, f"{place} ({name!r})"


def _values(
    table: Mapping[str, object], keys: Mapping[str, Any], place: str, leave: tuple[str, ...] = ()
) -> dict[str, Any]:
    """The values of a table, each of its key's type and within what the key allows."""
    values = {
        key: tables.value_of(value, keys[key], f"{place} {key}")
        for key, value in table.items()
        if key not in leave
    }
    for key, value in values.items():
        if key in _CHOICES and value not in _CHOICES[key]:
            raise RecipeError(f"{place} {key}: expected one of {', '.join(_CHOICES[key])}, got {value!r}")
    expect_within(values, place)
    return values


def expect_within(values: Mapping[str, Any], place: str) -> None:
    """Insist on numbers within what their keys allow.

    Raises:
        RecipeError: one is not.
    """
    for key, value in values.items():
        least, most, unit = _RANGES.get(key, (0, 0, ""))
        if key in _RANGES and not least <= value <= most:
            upper = f" to {most:g}" if most < _MAX_TIME_S else " or more"
            raise RecipeError(f"{place} {key}: expected {least:g}{upper}{unit}, got {value:g}")
        expect_usable(key, value, f"{place} {key}")


def _stretches(table: Mapping[str, object], place: str) -> tuple[tuple[Moment, Moment], ...]:
    for key in ("from", "to", "events"):
        if key in table:
            raise RecipeError(f"{place}: {key!r} and stretches do not go together")
    value = table["stretches"]
    if not isinstance(value, list) or not value:
        raise RecipeError(f"{place} stretches: expected pairs in brackets: [[from, to], [from, to]]")
    out = []
    for number, pair in enumerate(value, 1):
        if not isinstance(pair, list) or len(pair) != 2:
            raise RecipeError(f"{place} stretches: number {number} is no pair [from, to]")
        first, last = (moment(one, f"{place} stretches {number}") for one in pair)
        out.append((first, last))
    return tuple(out)


def _events(value: object, place: str) -> tuple[NamedMoment, ...]:
    if not isinstance(value, list):
        raise RecipeError(f'{place}: expected tables in brackets: [{{name = "splash", at = 33.5}}]')
    out = []
    for number, one in enumerate(value, 1):
        here = f"{place} {number}"
        table = tables.expect_table(one, here)
        tables.expect_known(table, ("name", "at"), here)
        for key in ("name", "at"):
            if key not in table:
                raise RecipeError(f"{here}: {key!r} is missing; an event has a name and a time of the take")
        name = expect_name(tables.value_of(table["name"], str, f"{here} name"), f"{here} name")
        out.append(NamedMoment(name, moment(table["at"], f"{here} at")))
    return tuple(out)


def moment(value: object, place: str) -> Moment:
    """A time as TOML says it: 4.5 for seconds, "540f" for frames.

    Raises:
        RecipeError: it says neither.
    """
    if isinstance(value, str):
        if not value.endswith("f"):
            raise RecipeError(f'{place}: expected seconds (4.5) or frames ("540f"), got {value!r}')
        return parse_moment(value, place)
    seconds = tables.value_of(value, float, place)
    if not 0 <= seconds < _MAX_TIME_S:
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
