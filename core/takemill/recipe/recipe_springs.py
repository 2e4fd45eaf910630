"""What a recipe says of chains that swing: [springs], and [characters.NAME.springs] for a character.

[characters.courier.springs]
find = true                # the file's own chains, or those that names show

[characters.courier.springs.chains.tail]
preset = "tail"            # or the numbers of VRMC_springBone 1.0, one by one
from = "tail.0"            # first joint; left out: the found chain of this name
to = "tail.4"              # last joint; left out: as far down as joints have one child
colliders = ["bottom"]

[characters.courier.springs.colliders.bottom]
joint = "hips"
offset = [0.0, 0.05, -0.1]  # in the joint's own axes, metres
radius = 0.12
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from typing import Any

from ..base.errors import RecipeError
from ..springs.springs_presets import PRESETS
from . import tables

_KEYS = {"first": "from", "last": "to"}  # fields that are called otherwise in a recipe


@dataclass(frozen=True)
class ChainSpec:
    """One chain, as it was asked for.

    Attributes:
        preset: one of springs_presets.PRESETS; "" for the numbers below, over those of the found chain.
        first: its first joint; "" for the found chain of its name.
        last: its last joint; "" for as far down as joints have one child.
        stiffness: the pull back to where the clip holds a bone, as in VRMC_springBone 1.0.
        drag: the share of its speed that a sixtieth of a second takes, 0 to 1.
        gravity: the pull along `gravity_dir`; 0.163 is the earth's.
        gravity_dir: in the world, +Z up.
        radius: of the ball at a bone's end that colliders push, metres.
        colliders: names of those that push it; left out, those of the found chain.
        center: a joint against which its speed counts, as "hips", so that the way over the floor does not
            move it; "" for the world.
        swings: false takes a found chain out.
    """

    preset: str = ""
    first: str = ""
    last: str = ""
    stiffness: float | None = None
    drag: float | None = None
    gravity: float | None = None
    gravity_dir: tuple[float, float, float] | None = None
    radius: float | None = None
    colliders: tuple[str, ...] | None = None
    center: str = ""
    swings: bool = True


@dataclass(frozen=True)
class ColliderSpec:
    """One collider, as it was asked for.

    Attributes:
        joint: that carries it.
        offset: its middle, or a capsule's first end, in the joint's own axes, metres.
        tail: a capsule's other end; left out for a ball.
        radius: metres.
        inside: chains stay inside it instead of outside.
        normal: of a plane through `offset`, to the side where chains stay; left out for a ball or a capsule.
    """

    joint: str = ""
    offset: tuple[float, float, float] = (0.0, 0.0, 0.0)
    tail: tuple[float, float, float] | None = None
    radius: float = 0.0
    inside: bool = False
    normal: tuple[float, float, float] | None = None


@dataclass(frozen=True)
class SpringsSpec:
    """Which chains of a character swing, and what they cannot pass through.

    Attributes:
        find: whether the chains of its file's VRMC_springBone swing or, where it has none, those that its
            names show.
        chains: by name, more chains, or what is other of found ones.
        colliders: by name.
    """

    find: bool = False
    chains: Mapping[str, ChainSpec] = field(default_factory=dict)
    colliders: Mapping[str, ColliderSpec] = field(default_factory=dict)

    def __bool__(self) -> bool:
        return self.find or bool(self.chains)


def springs_from(data: object, place: str) -> SpringsSpec:
    """A table of springs; `place` says where it stands: "ferry.toml: [springs]".

    Raises:
        RecipeError: a key is unknown, or a value of another type.
    """
    table = tables.expect_table(data, place)
    tables.expect_known(table, [one.name for one in fields(SpringsSpec)], place)
    found: dict[str, Any] = {}
    if "find" in table:
        found["find"] = tables.value_of(table["find"], bool, f"{place} find")
    for key, kind in (("chains", ChainSpec), ("colliders", ColliderSpec)):
        parts = tables.expect_table(table.get(key, {}), f"{place[:-1]}.{key}]")
        found[key] = {name: _part(one, kind, f"{place[:-1]}.{key}.{name}]") for name, one in parts.items()}
    return SpringsSpec(**found)


def _part(data: object, kind: type, place: str) -> Any:
    table = dict(tables.expect_table(data, place))
    for name, key in _KEYS.items():
        if name in table:
            raise RecipeError(f"{place}: unknown key {name!r}; did you mean {key!r}?")
        if kind is ChainSpec and key in table:
            table[name] = table.pop(key)
    one: Any = tables.settings_from(table, kind, place)
    if kind is ChainSpec and one.preset and one.preset not in PRESETS:
        raise RecipeError(f"{place} preset: expected one of {', '.join(PRESETS)}, got {one.preset!r}")
    if kind is ColliderSpec and not one.joint:
        raise RecipeError(f'{place}: say which joint carries it: joint = "..."')
    return one


def springs_tables(spec: SpringsSpec) -> dict[tuple[str, ...], dict[str, Any]]:
    """The tables that `springs_from` reads the same from, by their names below "springs"; () for its own."""
    out: dict[tuple[str, ...], dict[str, Any]] = {(): {"find": True} if spec.find else {}}
    for key, parts in (("chains", spec.chains), ("colliders", spec.colliders)):
        for name, one in parts.items():
            table = {}
            for item in fields(one):
                value = getattr(one, item.name)
                if value != item.default:
                    table[_KEYS.get(item.name, item.name)] = (
                        list(value) if isinstance(value, tuple) else value
                    )
            out[key, name] = table
    return out
