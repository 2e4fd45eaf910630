"""Which stretches of a take could be clips, and what they are.

action_signals   how the body stands and moves, at about 30 frames a second
guards           the calm poses that the take comes back to
action_spans     what lies between two visits to one of them
strikes, action_features, action_kinds   what it is
shot_list        what it is called
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, fields, replace
from itertools import count, pairwise
from typing import Literal

import numpy as np

from ..base.checks import Array, Mask, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.contacts import Contacts, find_contacts
from ..maths import quat
from ..sensors.misalignment import between_poses
from .action_features import Features, lying, measure_action, trunk_upright
from .action_kinds import KINDS, Kind, tell_kind
from .action_signals import SIGNAL_RATE_HZ, Signals, measure_signals
from .action_spans import Span, find_shifts, find_spans
from .guards import Guards, find_guards
from .shot_list import match_shots, words_of
from .strikes import Strike, find_strikes

__all__ = ["COMBINATIONS", "KINDS", "Cut", "CutSettings", "suggest_cuts"]

COMBINATIONS = ("whole", "parts")
"""What can become of several strikes without a guard between them: one cut, or one for each strike."""

GAITS = ("whole", "parts")
"""What can become of locomotion from rest to rest: one cut, or one for each part (gait_parts.py)."""

# A frame stands alone where a joint turns by so much from it to the next, and so many times less beside that.
# By the open takes at hand: 136 degrees, 38 times, where one does; at most 2 times at the ends of all others.
_ALONE_RAD, _ALONE_TIMES, _BESIDE_S = np.radians(20.0), 5.0, 0.25
_MIN_NAMED = 5  # frames of the signals: a sixth of a second, half of the shortest cut that is suggested
_MIN_CYCLE_STEPS = 4  # locomotion with fewer holds no whole cycle once it starts and stops


@dataclass(frozen=True)
class CutSettings:
    """What is cut, and what counts as a turn, a strike and a jump.

    Attributes:
        combinations: several strikes without a guard between them as one cut, "whole", or as its "parts".
        gaits: locomotion as one cut, "whole", or, where it begins or ends at rest or turns, as its "parts":
            start, loop, turns and stop, which share their poses where they meet.
        idle_s: a rest this long is a clip of its own.
        visit_s: a visit to a guard that parts two actions lasts at least so long.
        snap_s: how far an end may move outwards to a quiet frame.
        shortest_s: shorter cuts are dropped.
        turn_deg: least turn of a turn.
        strike_speed: speed of a hand against its own shoulder that makes a strike, arm lengths per second;
            so short and long arms strike alike, and a body that bends does not.
        kick_speed: the same of a foot against the hips, leg lengths per second.
        shot_list: names wanted for the cuts, in the order in which they were performed; each goes to the
            cut that fits it best, the others keep theirs.
        jump_s, jump_rise: shortest time with no foot down, and least rise of the hips (leg lengths), of a
            jump.
    """

    combinations: Literal["whole", "parts"] = "whole"
    gaits: Literal["whole", "parts"] = "parts"
    shot_list: tuple[str, ...] = ()
    idle_s: float = 1.5
    visit_s: float = 0.25
    snap_s: float = 0.35
    shortest_s: float = 0.3
    turn_deg: float = 40.0
    strike_speed: float = 5.0
    kick_speed: float = 4.0
    jump_s: float = 0.15
    jump_rise: float = 0.1


@dataclass(frozen=True)
class Cut:
    """A suggested clip: frames [start, stop) of a take.

    Attributes:
        name: unique within the take.
        kind: one of KINDS.
        start, stop: half-open.
        loop: whether it is meant to repeat.
        limbs: the hands and feet that strike, in order: "leftHand", "rightFoot" ...; one for each strike.
        strikes: the frame in which each of them stops at its reach.
        sure: how sure the kind is: 0.5, it could be another one, to 1.
        why: a sentence on what it was found by.
        follows, leads_to: of a part of a gait, the name of the loop in whose pose it begins, and in which it
            ends; "" for none.
        exact: whether its ends are where they must be, and not looked for again; of a part of a gait.
    """

    name: str
    kind: str
    start: int
    stop: int
    loop: bool
    limbs: tuple[str, ...] = ()
    strikes: tuple[int, ...] = ()
    sure: float = 1.0
    why: str = ""
    follows: str = ""
    leads_to: str = ""
    exact: bool = False


@dataclass(frozen=True)
class _Draft:
    """A cut in frames of the signals, before it has a name."""

    kind: Kind
    start: int
    stop: int
    loop: bool = False
    strikes: tuple[Strike, ...] = ()


def suggest_cuts(
    motion: Motion, body: BodyMap, settings: CutSettings | None = None, contacts: Contacts | None = None
) -> tuple[Cut, ...]:
    """The stretches of a take that could be clips, in order of time; they do not overlap.

    An action is what lies between two visits to a guard: it begins at the quietest frame before and ends at
    the quietest after. `contacts` are found when they are not given. A reference pose at either end of the
    take is no part of a clip, nor is a first or last frame that stands alone.

    Raises:
        InputError: a setting is not above 0.
    """
    settings = settings or CutSettings()
    for field in fields(settings):
        if field.name not in ("combinations", "gaits", "shot_list"):
            expect_positive(getattr(settings, field.name), field.name)
    first, last = between_poses(motion, body)
    inside = motion.slice(first, last)
    first, last = first + _stands_alone(inside, body, 1), last - _stands_alone(inside, body, -1)
    if (first, last) != (0, len(motion)):
        inner = contacts.sliced(first, last) if contacts else None
        cuts = suggest_cuts(motion.slice(first, last), body, settings, inner)
        return tuple(_moved(cut, first) for cut in cuts)
    step = max(1, round(motion.rate / SIGNAL_RATE_HZ))
    frames = np.arange(0, len(motion), step)
    signals = measure_signals(motion, body, contacts or find_contacts(motion, body), frames)
    if len(signals) < 3:
        return ()
    drafts = [
        one
        for one in _find_drafts(signals, settings)
        if _stop_of(one, step, motion, signals) - one.start * step >= settings.shortest_s * motion.rate
    ]
    names = _name_drafts(drafts, settings.shot_list)
    return tuple(
        Cut(
            name,
            one.kind.kind,
            one.start * step,
            _stop_of(one, step, motion, signals),
            one.loop,
            tuple(strike.limb for strike in one.strikes),
            tuple(strike.frame * step for strike in one.strikes),
            round(one.kind.sure, 2),
            one.kind.why,
        )
        for name, one in zip(names, drafts, strict=True)
    )


def name_stretch(
    motion: Motion,
    body: BodyMap,
    stretch: tuple[int, int],
    settings: CutSettings | None = None,
    contacts: Contacts | None = None,
    taken: Collection[str] = (),
) -> Cut:
    """Frames [start, stop) of a take as `suggest_cuts` would call them, were they found; not one of `taken`.

    Raises:
        InputError: the stretch leaves the take, or is too short to tell anything.
    """
    settings, (start, stop) = settings or CutSettings(), stretch
    step = max(1, round(motion.rate / SIGNAL_RATE_HZ))
    first, last = start // step, stop // step
    if not 0 <= start < stop <= len(motion) or last - first < _MIN_NAMED:
        raise InputError(
            f"frames {start} to {stop - 1} cannot be named: expected at least {_MIN_NAMED * step} frames of "
            f"the take, which has {len(motion)}"
        )
    frames = np.arange(0, len(motion), step)
    signals = measure_signals(motion, body, contacts or find_contacts(motion, body), frames)
    upright, guards = trunk_upright(signals), find_guards(signals, settings.idle_s)
    low = lying(signals, upright)
    rests = [one for one in find_spans(signals, guards, settings.visit_s, settings.snap_s) if one.rest]
    calm = sum(max(0, min(one.stop, last) - max(one.start, first)) for one in rests)
    if 2 * calm > last - first:
        draft = _cut_rest(signals, low, Span(first, last, rest=True))
    else:
        strikes = find_strikes(signals, upright, settings.strike_speed, settings.kick_speed)
        whole = replace(settings, combinations="whole")
        (draft,) = _cut_action(signals, guards, upright, low, strikes, Span(first, last, rest=False), whole)
    word = "_".join(draft.kind.words)
    name = next(one for number in count(1) if (one := f"{word}_{number:02}") not in taken)
    sure, limbs = round(draft.kind.sure, 2), tuple(one.limb for one in draft.strikes)
    hits = tuple(one.frame * step for one in draft.strikes)
    return Cut(name, draft.kind.kind, start, stop, draft.loop, limbs, hits, sure, draft.kind.why)


def _stands_alone(motion: Motion, body: BodyMap, way: int) -> bool:
    """Whether the frame at an end is of no movement: many files begin with the rest pose."""
    near = motion.rotations[::way][: 2 + round(_BESIDE_S * motion.rate), sorted(body.joints.values())]
    if len(near) < 4:
        return False
    turns = quat.angle_between(near[1:], near[:-1]).max(axis=1)
    return bool(turns[0] > max(_ALONE_RAD, _ALONE_TIMES * turns[1:].max()))


def _stop_of(one: _Draft, step: int, motion: Motion, signals: Signals) -> int:
    """The take's frame where a cut stops; what reaches the last of the signals reaches the take's end."""
    return len(motion) if one.stop >= len(signals) else one.stop * step


def _moved(cut: Cut, frames: int) -> Cut:
    strikes = tuple(frame + frames for frame in cut.strikes)
    return replace(cut, start=cut.start + frames, stop=cut.stop + frames, strikes=strikes)


def _find_drafts(signals: Signals, settings: CutSettings) -> list[_Draft]:
    upright = trunk_upright(signals)
    guards = find_guards(signals, settings.idle_s)
    strikes = find_strikes(signals, upright, settings.strike_speed, settings.kick_speed)
    low = lying(signals, upright)
    drafts: list[_Draft] = []
    for span in find_spans(signals, guards, settings.visit_s, settings.snap_s):
        if not span.rest:
            drafts += _cut_action(signals, guards, upright, low, strikes, span, settings)
        elif span.stop - span.start >= settings.idle_s * signals.rate:
            for part in find_shifts(signals, guards, span, settings.idle_s):
                drafts.append(_cut_rest(signals, low, part))
    return drafts


def _cut_rest(signals: Signals, low: Mask, span: Span) -> _Draft:
    """A visit to a guard as a cut."""
    seconds = (span.stop - span.start) / signals.rate
    if not span.rest:
        why = f"calm, but out of the usual pose for {seconds:.1f} s"
        return _Draft(Kind("other", ("shift",), 0.6, why), span.start, span.stop)
    lies = np.median(low[span.start : span.stop]) > 0
    why = f"calm for {seconds:.1f} s, " + (
        "low on the floor" if lies else "in a pose that the take comes back to"
    )
    kind = Kind("lying", ("lying",), 0.9, why) if lies else Kind("idle", ("idle",), 0.9, why)
    return _Draft(kind, span.start, span.stop, loop=True)


def _cut_action(
    signals: Signals,
    guards: Guards,
    upright: Array,
    low: Mask,
    strikes: tuple[Strike, ...],
    span: Span,
    settings: CutSettings,
) -> list[_Draft]:
    """An action as one cut, or a combination as its parts."""

    def measure(start: int, stop: int) -> Features:
        return measure_action(signals, upright, low, strikes, guards.distance, (start, stop), settings.jump_s)

    def draft(do: Features, start: int, stop: int) -> _Draft:
        kind = tell_kind(do, settings.turn_deg, settings.jump_rise)
        loop = kind.kind == "locomotion" and do.steps >= _MIN_CYCLE_STEPS
        return _Draft(kind, start, stop, loop, do.strikes if kind.kind == "strike" else ())

    do = measure(span.start, span.stop)
    whole = draft(do, span.start, span.stop)
    if settings.combinations == "whole" or len(whole.strikes) < 2:
        return [whole]
    ends = [span.start]
    for before, after in pairwise(whole.strikes):
        ends.append(before.frame + 1 + int(np.argmin(signals.speed[before.frame + 1 : after.frame + 1])))
    ends.append(span.stop)
    return [draft(measure(a, b), a, b) for a, b in pairwise(ends) if b > a]


def _name_drafts(drafts: list[_Draft], wanted: tuple[str, ...]) -> list[str]:
    """A name for each cut: of the shot list, else its words and a number. No name stands twice."""
    shots = match_shots(wanted, [words_of(one.kind, one.strikes) for one in drafts])
    names: list[str] = []
    counts: dict[str, int] = {}
    for number, one in enumerate(drafts):
        word = shots.get(number, "_".join(one.kind.words))
        name = word if number in shots and word not in names else ""
        while not name or name in names or (number not in shots and name in wanted):
            counts[word] = counts.get(word, 0) + 1
            name = f"{word}_{counts[word]:02}"
        names.append(name)
    return names
