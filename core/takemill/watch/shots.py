"""What a shot list still lacks: names without a take that is good, or without their kind."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from ..base.systems import same_name
from .take_verdict import JudgedTake


@dataclass(frozen=True)
class Lacking:
    """A shot that is not there yet.

    Attributes:
        name, kind: as the shot list has them.
        why: a take of that name is no good; "" where there is none.
    """

    name: str
    kind: str
    why: str = ""


def find_lacking(
    shots: Mapping[str, str], good: Sequence[JudgedTake], bad: Sequence[str]
) -> tuple[Lacking, ...]:
    """The shots that none of the good takes holds, in the order of the list.

    Args:
        shots: name -> kind of action; "" for any.
        good: takes that need not be shot again.
        bad: names of the others.
    """
    out = []
    for name, kind in shots.items():
        named = [take for take in good if any(is_of_shot(one, name) for one in (take.name, *take.names))]
        if any(not kind or take.kinds.get(kind) for take in named):
            continue
        again = [take for take in bad if is_of_shot(take, name)]
        why = f"{named[-1].name} holds no {kind}" if named else f"{again[-1]} is no good" if again else ""
        out.append(Lacking(name, kind, why))
    return tuple(out)


def is_of_shot(name: str, shot: str) -> bool:
    """Whether a take or a clip is called as a shot, or as it with a number or a remark: jab_03, jab left."""
    take, wanted = same_name(name), same_name(shot)
    return take.startswith(wanted) and re.match(r"[^a-z]|$", take[len(wanted) :]) is not None
