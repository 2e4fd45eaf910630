"""What one stretch of a take does, in numbers: how it stands, goes, flies, turns and moves its arms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Mask
from ..maths import series
from .action_signals import Signals, as_faced
from .strikes import Strike

# Cosine of the trunk's tilt and height of the hips of who lies, sits on the floor or goes on all fours: who
# kneels has them at 0.5. Chosen on the open get-ups, crawl and kneeling.
_LYING_UPRIGHT, _LYING_HIPS_LEGS, _SITTING_HIPS_LEGS = 0.5, 0.43, 0.25
_MIN_STEP_LEGS = 0.3  # a foot that stands so far from where it stood took a step (chosen by eye)


@dataclass(frozen=True)
class Features:
    """What frames [start, stop) of the signals do; lengths in leg lengths, angles in degrees.

    Attributes:
        seconds: how long it is.
        strikes: in it, in order.
        lies_first, lies_last: whether the body lies where it begins and ends.
        lying_share: of its frames in which the body lies.
        least_upright: smallest cosine of the trunk's tilt: -1 is head down.
        inverted_air_share: of the frames with the head below the hips, those with no foot down.
        lowest_hips: height over the floor.
        rise: how much higher the hips fly than they stand before and after.
        flights: how often no foot is down, for long enough.
        steps: how often a foot comes down elsewhere than it stood.
        path, way: of the hips over the floor: along it, and from begin to end.
        out: how far the hips get from where they begin, and out_ahead, out_left: where that is.
        ahead, left: the way from begin to end, as the body faces at the start.
        speed: along the path, per second.
        turn_deg: of the heading, from begin to end.
        bend_deg: of the direction of the path.
        sinks: how much lower the hips are at the end than at the begin.
        drop: how much lower the hips get, and
        head_drop: the head, than where they begin.
        head_aside, head_back: how far the head leaves its line to the left (+) or right (-), and backwards.
        head_returns: how far from its line the head is at the end.
        stance: how far hips and legs leave their first pose, root mean square.
        arms: how far the hands leave their places before the chest.
        far_arm: "left", "right", or "both": which of them does.
        reaches: how far the whole pose leaves its guard, in its reaches.
        air_s: the longest flight.
    """

    seconds: float
    strikes: tuple[Strike, ...]
    lies_first: bool
    lies_last: bool
    lying_share: float
    least_upright: float
    inverted_air_share: float
    lowest_hips: float
    rise: float
    flights: int
    air_s: float
    steps: int
    path: float
    way: float
    out: float
    out_ahead: float
    out_left: float
    ahead: float
    left: float
    speed: float
    turn_deg: float
    bend_deg: float
    sinks: float
    drop: float
    head_drop: float
    head_aside: float
    head_back: float
    head_returns: float
    stance: float
    arms: float
    far_arm: str
    reaches: float


def trunk_upright(signals: Signals) -> Array:
    """Cosine (N,) of the trunk's tilt: 1 upright, 0 level, -1 head down."""
    trunk = signals.places[:, signals.columns["head"]] - signals.places[:, signals.columns["hips"]]
    return np.asarray(trunk[:, 2] / np.maximum(np.linalg.norm(trunk, axis=-1), 1e-9))


def lying(signals: Signals, upright: Array) -> Mask:
    """Where the body lies, sits on the floor or goes on all fours (N,)."""
    hips = signals.height("hips")
    return np.asarray(((upright < _LYING_UPRIGHT) & (hips < _LYING_HIPS_LEGS)) | (hips < _SITTING_HIPS_LEGS))


def measure_action(
    signals: Signals,
    upright: Array,
    low: Mask,
    strikes: tuple[Strike, ...],
    distance: Array,
    span: tuple[int, int],
    jump_s: float,
) -> Features:
    """The features of frames [start, stop) of a take, `distance` (N,) being that from the nearest guard."""
    start, stop = span
    cut = slice(start, stop)
    low, tilt = low[cut], upright[cut]
    hips, height = signals.places[cut, signals.columns["hips"]] * [1, 1, 0], signals.height("hips")[cut]
    air = ~signals.planted[cut].any(axis=1) if signals.feet else np.zeros(stop - start, bool)
    begins, ends = series.runs(air)
    long = ends - begins >= jump_s * signals.rate
    flights = [(int(a), int(b)) for a, b in zip(begins[long], ends[long], strict=True)]
    standing = float(np.median(height[~air])) if (~air).any() else float(height[0])
    way = as_faced(hips[-1] - hips[0], signals.heading[start])
    path = _path_length(signals, cut)
    away = as_faced(hips - hips[0], signals.heading[start])
    far = int(np.argmax(np.linalg.norm(away, axis=-1)))
    head = _seen_from_feet(signals, cut, start)
    aside = head[:, 0] - np.median(head[[0, -1], 0])
    inverted = tilt < -0.2
    arms = {side: _hand_leaves(signals, side, cut) for side in ("left", "right")}
    far_arm = max(arms.values())
    return Features(
        seconds=(stop - start) / signals.rate,
        strikes=tuple(one for one in strikes if start <= one.frame < stop),
        lies_first=bool(low[0]),
        lies_last=bool(low[-1]),
        lying_share=float(low.mean()),
        least_upright=float(tilt.min()),
        inverted_air_share=float(air[inverted].mean()) if inverted.any() else 0.0,
        lowest_hips=float(height.min()),
        rise=max((float(height[a:b].max()) - standing for a, b in flights), default=0.0),
        flights=len(flights),
        air_s=max(((b - a) / signals.rate for a, b in flights), default=0.0),
        steps=_count_steps(signals, start, stop),
        path=path,
        way=float(np.linalg.norm(way)),
        out=float(np.linalg.norm(away[far])),
        out_ahead=float(-away[far, 1]),
        out_left=float(away[far, 0]),
        ahead=float(-way[1]),
        left=float(way[0]),
        speed=path / max((stop - start) / signals.rate, 1e-9),
        turn_deg=float(np.degrees(signals.heading[stop - 1] - signals.heading[start])),
        bend_deg=_bend_deg(signals, cut),
        sinks=float(height[0] - height[-1]),
        drop=float(height[0] - height.min()),
        head_drop=float(head[0, 2] - head[:, 2].min()),
        head_aside=float(aside[np.argmax(np.abs(aside))]),
        head_back=float((head[:, 1] - head[0, 1]).max()),
        head_returns=float(np.linalg.norm(head[-1] - head[0])),
        stance=_stance_leaves(signals, cut),
        arms=far_arm,
        far_arm="both" if min(arms.values()) > 0.6 * far_arm else max(arms, key=lambda side: arms[side]),
        reaches=float(distance[cut].max()),
    )


def _path_length(signals: Signals, cut: slice) -> float:
    return float(signals.travel[cut].sum() / signals.rate)


def _bend_deg(signals: Signals, cut: slice) -> float:
    """How far the path's direction turns where the body is well under way, degrees."""
    travel = signals.travel[cut]
    fast = travel > 0.6 * np.quantile(travel, 0.9)
    if fast.sum() < 3:
        return 0.0
    return float(
        np.degrees(np.ptp(signals.steady_heading[cut][fast])) * _sign(signals.steady_heading[cut][fast])
    )


def _sign(values: Array) -> float:
    return 1.0 if values[-1] >= values[0] else -1.0


def _seen_from_feet(signals: Signals, cut: slice, start: int) -> Array:
    """The head (n, 3) from between the feet, as the body faces at the start: left, back, up."""
    feet = [signals.columns[foot] for foot in signals.feet] or [signals.columns["hips"]]
    away = signals.places[cut, signals.columns["head"]].copy()
    away[:, :2] -= signals.places[cut][:, feet, :2].mean(axis=1)
    return as_faced(away, signals.heading[start])


def _stance_leaves(signals: Signals, cut: slice) -> float:
    """Root mean square distance that hips, legs and feet get from where they are first."""
    columns = [
        column
        for part, column in signals.columns.items()
        if part.endswith(("hips", "UpperLeg", "LowerLeg", "Foot"))
    ]
    places = signals.places[cut][:, columns]
    return float(np.sqrt(((places - places[:1]) ** 2).sum(axis=-1).mean(axis=1)).max())


def _hand_leaves(signals: Signals, side: str, cut: slice) -> float:
    """How far a hand gets from where it is first, seen from its shoulder."""
    if not {f"{side}Hand", f"{side}UpperArm"} <= set(signals.columns):
        return 0.0
    away = signals.seen_from(f"{side}Hand", f"{side}UpperArm", cut)
    return float(np.linalg.norm(away - away[:1], axis=-1).max())


def _count_steps(signals: Signals, start: int, stop: int) -> int:
    """How often a foot comes down elsewhere than it stood."""
    steps = 0
    for k, foot in enumerate(signals.feet):
        begins, ends = series.runs(signals.planted[start:stop, k])
        stands = signals.places[start + (begins + ends) // 2, signals.columns[foot], :2]
        steps += int((np.linalg.norm(np.diff(stands, axis=0), axis=-1) > _MIN_STEP_LEGS).sum())
    return steps
