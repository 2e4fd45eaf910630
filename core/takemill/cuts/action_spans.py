"""Where a take's actions begin and end: what lies between two visits to a guard."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..maths import series
from .action_signals import Signals
from .guards import Guards

# Chosen on labelled takes (tests/benchmarks/cuts_table.py, seeds below 100).
_MAX_TRAVEL_LEGS_S = 0.5  # of the hips over the floor: a guard that steps stays below
_MAX_TURNING_RAD_S = 0.5
_MIN_AWAY_S = 0.3  # shorter, it is a twitch
_MIN_REACHES = 1.25  # an action leaves its guard by at least so many times its reach, ...
_MIN_TURN_RAD = np.radians(30.0)  # ... or turns, ...
_MIN_TRAVEL_LEGS = 0.5  # ... or goes somewhere: else it is a step or a sway of the guard
_LIVELY_TIMES, _MIN_LIVELY_LEGS_S = 3.5, 0.2  # of a guard's usual speed: faster, something happens
_MIN_LIVELY_S = 1.0  # in place, with pauses up to as long; what is shorter is a sway
# A calm body that is so far out of its usual pose, and so many times as far as usual, shifts its weight.
_MIN_SHIFT_LEGS, _SHIFT_TIMES, _SHIFT_PAD_S = 0.015, 3.0, 0.43
_USUAL_SHARE = 0.94  # of a take's rests are as quiet as an action's end must be


@dataclass(frozen=True)
class Span:
    """Frames [start, stop) of the signals.

    Attributes:
        start, stop: half-open.
        rest: whether it is a visit to a guard; else it is an action.
    """

    start: int
    stop: int
    rest: bool


def find_spans(signals: Signals, guards: Guards, visit_s: float, snap_s: float) -> list[Span]:
    """The actions and, between them, the rests of a take, in order of time.

    Args:
        signals: of N frames.
        guards: the poses that are come back to.
        visit_s: a visit to a guard that parts two actions lasts at least so long.
        snap_s: how far outwards an end may move to the quietest frame.
    """
    away = (
        (guards.distance > 1)
        | ~guards.calm
        | (signals.travel > _MAX_TRAVEL_LEGS_S)
        | (signals.turning > _MAX_TURNING_RAD_S)
    )
    away = ~drop_short(~away, signals.frames(visit_s), ends=True)
    lively = _lively_in_place(signals, guards, away)
    found = [
        (int(a), int(b))
        for a, b in zip(*series.runs(away | lively), strict=True)
        if b - a >= _MIN_AWAY_S * signals.rate
        and (lively[a:b].any() or _matters(signals, guards, int(a), int(b)))
    ]
    inside = np.ones(len(signals), bool)
    for first, last in found:
        inside[first:last] = False
    unrest, reach = _unrest(signals, guards), signals.frames(snap_s)
    usual = [
        float(np.quantile(unrest[own], _USUAL_SHARE)) if own.any() else 0.0
        for own in (inside & (guards.nearest == guard) for guard in range(max(guards.count, 1)))
    ]
    spans: list[Span] = []
    place = 0
    for k, (first, last) in enumerate(found):
        low = max(place, first - reach)
        high = (last + found[k + 1][0] + 1) // 2 if k + 1 < len(found) else len(signals)
        before, after = (
            int(guards.nearest[frame]) for frame in (max(first - 1, 0), min(last, len(signals) - 1))
        )
        start = first - _steps_outwards(unrest[low : first + 1][::-1], usual[before])
        stop = last + _steps_outwards(unrest[last - 1 : min(high, last + reach)], usual[after])
        if start > place:
            spans.append(Span(place, start, rest=True))
        spans.append(Span(start, min(stop, len(signals)), rest=False))
        place = spans[-1].stop
    if place < len(signals):
        spans.append(Span(place, len(signals), rest=True))
    return spans


def find_shifts(signals: Signals, guards: Guards, span: Span, least_s: float) -> list[Span]:
    """A rest as rests and, between them, where a calm body stays out of its usual pose for a while.

    As when the weight is shifted: for at least `least_s`, after and before as long a rest.
    """
    away = guards.away[span.start : span.stop]
    least, pad = signals.frames(least_s), signals.frames(_SHIFT_PAD_S)
    shifted = away > max(_MIN_SHIFT_LEGS, _SHIFT_TIMES * float(np.percentile(away, 25)))
    shifted = drop_short(~drop_short(~shifted, least), least)
    spans: list[Span] = []
    place = span.start
    for start, stop in zip(*series.runs(shifted), strict=True):
        first, last = max(place, span.start + int(start) - pad), min(span.stop, span.start + int(stop) + pad)
        if first - place >= least and span.stop - last >= least:
            spans += [Span(place, first, rest=True), Span(first, last, rest=False)]
            place = last
    return [*spans, Span(place, span.stop, rest=True)]


def _lively_in_place(signals: Signals, guards: Guards, away: Mask) -> Mask:
    """Where a body moves, for a while, much more than its guard usually does, in nearly its pose (N,).

    Hands that whirl, for one. Some guards bounce, others hardly breathe.
    """
    inside = ~away
    usual = [
        float(np.median(signals.calm_speed[own])) if own.any() else np.inf
        for own in (inside & (guards.nearest == guard) for guard in range(max(guards.count, 1)))
    ]
    limit = np.maximum(_LIVELY_TIMES * np.array(usual), _MIN_LIVELY_LEGS_S)[guards.nearest]
    out = ~drop_short(~((signals.calm_speed > limit) | away), signals.frames(_MIN_LIVELY_S))
    for start, stop in zip(*series.runs(out), strict=True):
        if away[start:stop].any() or stop - start < _MIN_LIVELY_S * signals.rate:
            out[start:stop] = False
    return out


def _matters(signals: Signals, guards: Guards, start: int, stop: int) -> bool:
    """Whether a stretch is more than a step or a sway of its guard."""
    hips = signals.places[start:stop, signals.columns["hips"], :2]
    return bool(
        guards.distance[start:stop].max() > _MIN_REACHES
        or np.ptp(signals.steady_heading[start:stop]) > _MIN_TURN_RAD
        or np.linalg.norm(hips - hips[0], axis=-1).max() > _MIN_TRAVEL_LEGS
    )


def _steps_outwards(unrest: Array, usual: float) -> int:
    """How many frames to go outwards along the unrest (N,), N > 0: to the first that a guard usually has.

    Where there is none, to the quietest.
    """
    quiet = np.flatnonzero(unrest <= usual)
    return int(quiet[0]) if len(quiet) else int(np.argmin(unrest))


def _unrest(signals: Signals, guards: Guards) -> Array:
    """How far from the guard and how fast the body is (N,): about 1 at the edge of a guard."""
    distance = np.where(np.isfinite(guards.distance), guards.distance, 1.0)
    return np.asarray(distance + signals.speed + signals.turning + signals.travel)


def drop_short(mask: Mask, frames: int, ends: bool = False) -> Mask:
    """The mask (N,) without runs of fewer frames; with `ends` those at an end of it stay."""
    out = mask.copy()
    for start, stop in zip(*series.runs(mask), strict=True):
        if stop - start < frames and not (ends and (start == 0 or stop == len(mask))):
            out[start:stop] = False
    return out
