"""Events on a clip: feet down and up, strikes, jumps; and the phase of a gait."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask, expect_positive
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..feet.contacts import Contacts
from ..maths import filters, series
from .clouds import positions_at

# The shortest swing of a foot in a step; a sprinter's lasts three times as long (no source).
_MIN_SWING_S = 0.1
# Of a peak's height: its top is what lies above, and it must fall below on both sides (chosen by eye).
_TOP_SHARE = 0.9
_LIMBS = ("leftHand", "rightHand", "leftFoot", "rightFoot")


@dataclass(frozen=True)
class Event:
    """Something that happens at one frame of a clip.

    Attributes:
        name: what and where: "leftFoot.down", "rightFoot.up", "rightHand.strike", "rightHand.stop",
            "takeOff", "apex", "landing", or a user's own.
        frame: 0-based, within the clip.
    """

    name: str
    frame: int


@dataclass(frozen=True)
class EventSettings:
    """What counts as a strike and as a jump.

    Attributes:
        strike_speed: least speed of a hand against the hips, leg lengths per second.
        kick_speed: the same of a foot, which is quick in every step.
        strike_gap_s: of strikes of one limb that are nearer together, the fastest counts.
        stop_s: how long after its peak a strike's sharp stop may come.
        cutoff_hz: limbs are smoothed at this frequency before speeds are taken.
        air_s: shortest time with no foot down that is a jump.
    """

    strike_speed: float = 3.5
    kick_speed: float = 5.0
    strike_gap_s: float = 0.25
    stop_s: float = 0.3
    cutoff_hz: float = 12.0
    air_s: float = 0.15


def foot_events(contacts: Contacts, loop: bool) -> tuple[Event, ...]:
    """When each foot comes down (its first planted frame) and up (its first frame after), in order of time.

    In a loop of F frames the last is the first again: frames are counted modulo F - 1, and a foot that is
    planted across the seam comes down once. Otherwise a foot that is planted in the first or the last frame
    has no event there. A foot that is up for less than a tenth of a second took no step: no events.
    """
    planted = _stepping_feet(contacts, loop)
    if loop and len(planted) > 1:
        before = np.roll(planted, 1, axis=0)
    else:
        before = np.concatenate([planted[:1], planted[:-1]])
    return _sort_events(
        Event(f"{foot}.{word}", int(frame))
        for k, foot in enumerate(contacts.feet)
        for word, change in (("down", planted & ~before), ("up", before & ~planted))
        for frame in np.flatnonzero(change[:, k])
    )


def _stepping_feet(contacts: Contacts, loop: bool) -> Mask:
    """Planted feet (F, K), or (F - 1, K) of a loop, without lifts that are too short for a step."""
    planted = contacts.planted
    shortest, count = math.ceil(_MIN_SWING_S * contacts.rate - 1e-6), len(planted)
    if loop and count > 1:
        count -= 1
        planted = np.concatenate([planted[:-1]] * 3)
    lifted = [series.without_short(column, shortest) for column in ~planted.T]
    planted = ~np.array(lifted, bool).reshape(planted.T.shape).T
    return planted[count : 2 * count] if loop and len(planted) > count else planted


def strike_events(motion: Motion, body: BodyMap, settings: EventSettings | None = None) -> tuple[Event, ...]:
    """Strikes of hands and feet, in order of time.

    "rightHand.strike" is the peak of the hand's speed against the hips, of a flat peak its middle;
    "rightHand.stop" is the sharpest braking after it. A peak whose rise or fall the clip cuts off is none.

    Raises:
        InputError: a setting is not above 0.
    """
    settings = settings or EventSettings()
    for name in ("strike_speed", "kick_speed", "strike_gap_s", "stop_s", "cutoff_hz"):
        expect_positive(getattr(settings, name), name)
    parts = [part for part in _LIMBS if body.get(part) is not None]
    if not parts or len(motion) < 3:
        return ()
    joints = np.array([body.require("hips"), *(body.require(part) for part in parts)], np.intp)
    places = positions_at(motion, np.arange(len(motion)), joints) / leg_length(motion.skeleton, body)
    reach = places[:, 1:] - places[:, :1]
    if settings.cutoff_hz < motion.rate / 2:
        reach = filters.butterworth(reach, motion.rate, settings.cutoff_hz, order=2)
    speed = np.linalg.norm(series.derivative(reach, motion.rate), axis=-1)
    braking = -series.derivative(speed, motion.rate)
    least = (settings.strike_speed, settings.kick_speed)
    wait = max(1, round(settings.stop_s * motion.rate))
    events = []
    for k, part in enumerate(parts):
        for peak in _find_peaks(
            speed[:, k], least[part.endswith("Foot")], round(settings.strike_gap_s * motion.rate)
        ):
            middle = _peak_middle(speed[:, k], int(peak))
            if middle is not None:
                stop = middle + int(np.argmax(braking[middle : middle + wait + 1, k]))
                events += [Event(f"{part}.strike", middle), Event(f"{part}.stop", stop)]
    return _sort_events(events)


def jump_events(
    motion: Motion, body: BodyMap, contacts: Contacts, settings: EventSettings | None = None
) -> tuple[Event, ...]:
    """Jumps, in order of time.

    "takeOff" is the first frame with no foot down, "apex" has the hips highest, at "landing" a foot is down
    again. A flight that the clip cuts off has no event on that side.

    Raises:
        InputError: air_s is not above 0.
    """
    settings = settings or EventSettings()
    expect_positive(settings.air_s, "air_s")
    if not contacts.feet:
        return ()
    height = positions_at(motion, np.arange(len(motion)), np.array([body.require("hips")]))[:, 0, 2]
    events = []
    for start, stop in zip(*series.runs(~contacts.planted.any(axis=1)), strict=True):
        if stop - start >= settings.air_s * motion.rate:
            if start > 0:
                events.append(Event("takeOff", int(start)))
            events.append(Event("apex", int(start + np.argmax(height[start:stop]))))
            if stop < len(motion):
                events.append(Event("landing", int(stop)))
    return _sort_events(events)


def gait_phase(events: tuple[Event, ...], frames: int, loop: bool) -> Array:
    """The phase (F,) of a gait, from 0 where the left foot comes down towards 1 where it does so again.

    Between two such events it runs evenly; outside them it goes on at the nearest stride's pace, in a loop
    around the seam. Without at least two of them (one in a loop) there is no gait: zeros.
    """
    downs = np.array([event.frame for event in events if event.name == "leftFoot.down"], np.float64)
    cycle = frames - 1
    if loop and len(downs) and cycle > 0:
        count = len(downs)
        downs = np.concatenate([[downs[-1] - cycle], downs, [downs[0] + cycle]])
        strides = np.arange(-1, count + 1)
    else:
        strides = np.arange(len(downs))
    if len(downs) < 2:
        return np.zeros(frames)
    places = np.arange(frames, dtype=np.float64)
    stride = np.interp(places, downs, strides)
    first, last = downs[1] - downs[0], downs[-1] - downs[-2]
    stride = np.where(places < downs[0], strides[0] + (places - downs[0]) / first, stride)
    stride = np.where(places > downs[-1], strides[-1] + (places - downs[-1]) / last, stride)
    return np.asarray(stride % 1.0)


def _find_peaks(values: Array, least: float, gap: int) -> Index:
    """Frames of the local maxima of values (F,) above `least`, of those closer than `gap` the highest.

    An end of the series is no maximum: what comes beyond it is not known.
    """
    ahead, behind = np.append(values[1:], np.inf), np.insert(values[:-1], 0, np.inf)
    found = np.flatnonzero((values >= least) & (values > behind) & (values >= ahead))
    kept: list[int] = []
    for frame in found[np.argsort(-values[found], kind="stable")]:
        if all(abs(int(frame) - other) >= gap for other in kept):
            kept.append(int(frame))
    return np.array(sorted(kept), np.intp)


def _peak_middle(values: Array, peak: int) -> int | None:
    """The frame in the middle of a peak of values (F,); None when an end of the series cuts it off.

    Noise moves the highest frame of a flat peak; its centroid, weighted by the height above the top's foot
    squared, moves little.
    """
    low, high = _run_above(values, peak, _TOP_SHARE)
    if low == 0 or high == len(values):
        return None
    weight = (values[low:high] - _TOP_SHARE * values[peak]) ** 2
    return int(np.round(weight @ np.arange(low, high) / weight.sum()))


def _run_above(values: Array, peak: int, min_share: float) -> tuple[int, int]:
    """The run [low, high) around a peak in which the values stay above a share of it."""
    below = np.flatnonzero(values < min_share * values[peak])
    at = int(np.searchsorted(below, peak))
    return (int(below[at - 1]) + 1 if at else 0), (int(below[at]) if at < len(below) else len(values))


def _sort_events(events: Iterable[Event]) -> tuple[Event, ...]:
    return tuple(sorted(events, key=lambda event: (event.frame, event.name)))
