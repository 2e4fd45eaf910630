"""An idle of any length from a take's calm stretches: parts in an order by seed, joined so that it lives."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..feet.pin import PinSettings
from .idle_breath import LOW_HZ, find_breath
from .idle_feet import stand_still
from .idle_join import LEAD_S, join_frames, join_parts
from .idle_order import steps_to_repeat
from .idle_parts import choose_parts
from .idle_pool import MIN_CALM_S, find_calm, joined, lay_stretches

Ranges = Sequence[tuple[int, int]]

# An idle holds whole breaths, so it is played evenly so much faster or slower to last as long as was wanted:
# of a breath and a half two, a third faster. A resting body breathes 12 to 20 times a minute, mostly 15
# (textbook values, from memory). From seven breaths on, which are 28 s, 7 % are enough.
_MAX_PACE = 0.34
_MAX_BREATH_SHARE = (
    0.75  # of a loop, of several breaths: half of it, and what breaths differ by (chosen by eye)
)
_PIN = PinSettings()


@dataclass(frozen=True)
class IdleFacts:
    """How an idle was put together; all as shares of its length, so that they hold at any rate and speed.

    Attributes:
        joins: where a part begins, from 0 to below 1.
        repeats: so much of it passes, at least, before a moment of the take is played again; 1 where none is.
        breaths: how many breaths it holds; None where no breath was found in it.
        pace: so many seconds of the take play in each of its own.
    """

    joins: tuple[float, ...]
    repeats: float
    breaths: float | None
    pace: float = 1.0


@dataclass(frozen=True)
class Idle:
    """An idle of several parts.

    Attributes:
        motion: F frames; the last one is the first again, and the feet stand at one place.
        contacts: of its frames.
        facts: how it was put together.
    """

    motion: Motion
    contacts: Contacts
    facts: IdleFacts


def describe_pace(pace: float) -> str:
    """How an idle plays its parts, in words."""
    if abs(pace - 1) < 0.005:
        return "at the pace of the take"
    return f"{pace:.2f} times as fast as in the take"


def choose_idle(
    motion: Motion, body: BodyMap, contacts: Contacts, ranges: Ranges, length_s: float, seed: int = 0
) -> tuple[tuple[int, int], ...]:
    """The parts of a take [start, stop) of which an idle of about `length_s` can be made, in their order.

    The pose at each `stop` goes over into the next part's first one, and the last one's into the first's.
    An idle in which a breath is seen holds whole breaths: its parts may be up to half a breath shorter or
    longer, and `build_idle` plays them faster or slower.

    Args:
        motion: the take.
        body: of its skeleton.
        contacts: of its frames.
        ranges: its frames [start, stop) in which calm stretches are looked for.
        length_s: how long it shall last.
        seed: of the order of its parts.

    Raises:
        InputError: nowhere in the ranges does the body rest, or its parts close to no loop of that length.
    """
    expect_positive(length_s, "length_s")
    pool = lay_stretches(motion, body, contacts, find_calm(motion, body, contacts, tuple(ranges)))
    breath = find_breath(pool.motion, body, pool.stretch)
    chosen = choose_parts(pool, body, breath, round(length_s * motion.rate), seed)
    if chosen is None:
        raise InputError(
            f"an idle of {length_s:g} s: its range holds {len(pool.frames) / motion.rate:.1f} s of calm, of "
            f"which no parts close to a loop of that length; take a range with more calm (stretches of "
            f"{2 * MIN_CALM_S:g} s or more), or another length_s"
        )
    return tuple((int(pool.frames[first]), int(pool.frames[last])) for first, last in chosen)


def build_idle(
    motion: Motion,
    body: BodyMap,
    contacts: Contacts,
    parts: Ranges,
    length_s: float | None = None,
    pin: PinSettings | None = _PIN,
) -> Idle:
    """The idle of parts [start, stop) of a take, in that order; its feet stand as in the longest part.

    It is played evenly faster or slower, by up to a third, so that it lasts `length_s`, to half a frame. With
    `pin` None the feet move as they did.

    Raises:
        InputError: a part is too short, its feet stand otherwise than the longest one's, or the parts are too
            long or too short for `length_s`.
    """
    lead = round(LEAD_S * motion.rate)
    count = sum(stop - start for start, stop in parts)
    wanted = count if length_s is None else round(length_s * motion.rate)
    if wanted < 1 or abs(count / wanted - 1) > _MAX_PACE:
        raise InputError(
            f"an idle of {length_s:g} s: its parts last {count / motion.rate:.1f} s, and would have to play "
            f"more than a third faster or slower; ask for about {count / motion.rate:.1f} s"
        )
    for start, stop in parts:
        if stop - start < 4 or not 0 <= start < stop < len(motion):
            raise InputError(
                f"an idle's part from frame {start} to {stop}: expected four frames of the take or more"
            )
    around = tuple((max(0, start - lead), min(len(motion), stop + lead + 1)) for start, stop in parts)
    pool = lay_stretches(motion, body, contacts, around)
    if pool.left_out:
        raise InputError(
            f"{pool.left_out} of the {len(parts)} parts of an idle stand otherwise than the longest one; "
            "leave them out"
        )
    places = np.cumsum([0, *(stop - start for start, stop in around)])
    own = [
        (int(places[k]) + start - first, int(places[k]) + stop - first)
        for k, ((start, stop), (first, _)) in enumerate(zip(parts, around, strict=True))
    ]
    loop = join_parts(pool.motion, pool.stretch, own)
    if pin is not None:
        loop = stand_still(loop, body, contacts.feet, pool.planted, pin)
    frames = np.concatenate([np.arange(start, stop) for start, stop in parts])
    standing = contacts.at_frames(np.append(frames, frames[0]))
    standing = replace(
        standing, heel=standing.heel | pool.planted[:, 0], toe=standing.toe | pool.planted[:, 1]
    )
    # Three times on, so that the breath of a short loop comes back often enough. The loop itself comes back:
    # it is one breath only where no shorter one is seen in it.
    thrice, one = joined([loop.slice(0, count)] * 3), np.zeros(3 * count, np.intp)
    shorter = min(_MAX_BREATH_SHARE * count / motion.rate, 1 / LOW_HZ)
    breath = find_breath(thrice, body, one, shorter) or find_breath(thrice, body, one)
    facts = IdleFacts(
        tuple((join_frames(own) / count).tolist()),
        steps_to_repeat(parts) / count,
        None if breath is None else float(breath.phase[2 * count] - breath.phase[count]),
        count / wanted,
    )
    if wanted != count:
        at = np.linspace(0, count, wanted + 1)
        loop, standing = loop.sampled(at, motion.rate), standing.at_frames(np.round(at).astype(np.intp))
    return Idle(loop, standing, facts)
