"""Which stretches of a take could be clips, and of which kind."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index, Mask, expect_positive
from ..body import body_map
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..feet.contacts import Contacts, find_contacts
from ..maths import filters, quat, series
from ..maths.series import runs
from ..sensors.misalignment import between_poses
from .clouds import main_joints, positions_at

KINDS = ("idle", "locomotion", "strike", "turn", "jump", "other")
_LOOPS = ("idle", "locomotion")
# All chosen by eye.
_CUT_RATE_HZ = 30.0  # frames a second at which cuts are found: one is 33 ms
_SPEED_CUTOFF_HZ = 4.0  # of the body's speed, which is smoothed
_MIN_KICK_SPEED_LEGS_S = 5.0  # of a foot against the hips, which is quick in a stride too
_TURN_LEVER_LEGS = 0.15  # a joint that only turns counts as if it moved a point so far away
_QUIET_FACTOR, _MIN_QUIET_SPEED_LEGS_S = 2.5, 0.03  # quiet: below so many times the speed of rests, or this


@dataclass(frozen=True)
class CutSettings:
    """What counts as an idle, locomotion, a turn, a strike and a jump. Speeds are leg lengths per second.

    The defaults were chosen by eye.

    Attributes:
        idle_speed: root mean square speed of the joints below which the body rests.
        pause_s: a rest this long in the neutral pose parts two clips.
        neutral: root mean square distance (leg lengths) from the neutral pose that still counts as it.
        idle_s: a rest this long is a clip of its own.
        locomotion_speed: speed of the hips over the floor, smoothed, above which it is locomotion.
        locomotion_s: shortest locomotion.
        turn_deg_s, turn_deg: turning speed and least turn of a turn.
        strike_speed: speed of a hand against its own shoulder that makes a strike, arm lengths per second;
            so short and long arms strike alike, and a body that bends does not.
        jump_s, jump_rise: shortest time with no foot down, and least rise of the hips (leg lengths), of a
            jump.
        snap_s: how far an end may move outwards to a quiet frame near the neutral pose.
        lead_s: rest kept before an action.
        settle_s: rest kept after it.
        away: root mean square distance (leg lengths) from the usual pose that a calm body leaves it by.
        shortest_s: shorter stretches are dropped.
    """

    idle_speed: float = 0.25
    pause_s: float = 0.4
    neutral: float = 0.06
    idle_s: float = 1.5
    locomotion_speed: float = 0.4
    locomotion_s: float = 1.0
    turn_deg_s: float = 25.0
    turn_deg: float = 45.0
    strike_speed: float = 5.7
    jump_s: float = 0.15
    jump_rise: float = 0.1
    snap_s: float = 0.6
    lead_s: float = 0.13
    settle_s: float = 0.43
    away: float = 0.015
    shortest_s: float = 0.3


@dataclass(frozen=True)
class Cut:
    """A suggested clip: frames [start, stop) of a take.

    Attributes:
        name: unique within the take.
        kind: "idle", "locomotion", "strike", "turn", "jump" or "other".
        start, stop: half-open.
        loop: whether it is meant to repeat.
    """

    name: str
    kind: str
    start: int
    stop: int
    loop: bool


@dataclass(frozen=True)
class _Signals:
    """What the cuts are found from, N frames at `rate`; lengths in leg lengths, headings in degrees."""

    rate: float
    speed: Array  # root mean square over the joints: an arm alone still shows
    stir: Array  # the same without the sway of the whole body, and without the smoothing that spreads a burst
    root_motion: Array  # hips over the floor
    turning: Array  # per second
    heading: Array
    limbs: Array  # fastest hand or foot, in what makes a strike
    height: Array  # of the hips
    airborne: Mask
    neutral_distance: Array  # distance from the neutral pose


def suggest_cuts(
    motion: Motion, body: BodyMap, settings: CutSettings | None = None, contacts: Contacts | None = None
) -> tuple[Cut, ...]:
    """The stretches of a take that could be clips, in order of time; they do not overlap.

    An action begins and ends with a little rest near the neutral pose (the pose in which the body mostly
    rests), so that it chains from an idle. `contacts` are found when they are not given. A reference pose at
    either end of the take is no part of a clip.

    Raises:
        InputError: a setting is not above 0.
    """
    settings = settings or CutSettings()
    for field in fields(settings):
        expect_positive(getattr(settings, field.name), field.name)
    first, last = between_poses(motion, body)
    if (first, last) != (0, len(motion)):
        inner = contacts.sliced(first, last) if contacts else None
        cuts = suggest_cuts(motion.slice(first, last), body, settings, inner)
        return tuple(replace(cut, start=cut.start + first, stop=cut.stop + first) for cut in cuts)
    step = max(1, round(motion.rate / _CUT_RATE_HZ))
    frames = np.arange(0, len(motion), step)
    signals = _measure_signals(motion, body, settings, contacts or find_contacts(motion, body), frames)
    found: list[tuple[str, int, int]] = []
    rest = 0
    for start, stop in [*_find_actions(signals, settings), (len(frames), len(frames))]:
        if start - rest >= settings.idle_s * signals.rate:
            found += _cut_rest(signals, settings, rest, start)
        if start < stop:
            found += _cut_action(signals, settings, start, stop)
        rest = stop
    ranges = [one for one in found if one[2] - one[1] >= max(settings.shortest_s * signals.rate, 1)]
    counts = dict.fromkeys(KINDS, 0)
    named = []
    for kind, start, stop in ranges:
        counts[kind] += 1
        name = f"{kind}_{counts[kind]:02}"
        end = len(motion) if stop >= len(frames) else stop * step
        named.append(Cut(name, kind, start * step, end, kind in _LOOPS))
    return tuple(named)


def _find_rests(signals: _Signals, settings: CutSettings) -> Mask:
    """Where the body rests: anywhere for long, or briefly in the neutral pose (not in a held guard)."""
    calm = _close_gaps(signals.speed < settings.idle_speed, 0.1, signals.rate)
    for start, stop in zip(*runs(calm), strict=True):
        seconds = (stop - start) / signals.rate
        neutral = np.median(signals.neutral_distance[start:stop]) < settings.neutral
        if seconds < (settings.pause_s if neutral else settings.idle_s):
            calm[start:stop] = False
    return calm


def _find_actions(signals: _Signals, settings: CutSettings) -> list[tuple[int, int]]:
    """The stretches between the rests, from where the body begins to stir to where it is at rest again."""
    resting = _find_rests(signals, settings)
    spans = [(int(a), int(b)) for a, b in zip(*runs(~resting), strict=True)]
    usual = float(np.median(signals.stir[resting])) if resting.any() else 0.0
    quiet = max(_QUIET_FACTOR * usual, _MIN_QUIET_SPEED_LEGS_S)
    cost = signals.speed / settings.idle_speed + signals.neutral_distance / settings.neutral
    reach, lead, settle = (
        round(s * signals.rate) for s in (settings.snap_s, settings.lead_s, settings.settle_s)
    )
    out = []
    for k, (start, stop) in enumerate(spans):
        # Half of the rest on each side may be taken.
        low = (spans[k - 1][1] + start + 1) // 2 if k else 0
        high = (stop + spans[k + 1][0]) // 2 if k + 1 < len(spans) else len(cost)
        before = slice(max(low, start - reach), start)
        after = slice(stop, min(high, stop + reach))
        start -= _steps_to_calm(signals.stir[before][::-1], cost[before][::-1], quiet)
        stop += _steps_to_calm(signals.stir[after], cost[after], quiet)
        out.append((max(low, start - lead), min(high, stop + settle)))
    return out


def _steps_to_calm(speed: Array, cost: Array, quiet: float) -> int:
    """How far to go outwards: to the first quiet frame, or else to the calmest near the neutral pose."""
    calm = np.flatnonzero(speed < quiet)
    if len(calm):
        return int(calm[0])
    return int(np.argmin(cost)) if len(cost) else 0


def _cut_rest(signals: _Signals, settings: CutSettings, start: int, stop: int) -> list[tuple[str, int, int]]:
    """A rest as clips; where the body leaves its usual pose for a while, that part is a clip of its own."""
    neutral_distance, rate = signals.neutral_distance[start:stop], signals.rate
    away = neutral_distance > max(settings.away, 3 * float(np.percentile(neutral_distance, 25)))
    away = _drop_short(_close_gaps(away, settings.idle_s, rate), settings.idle_s, rate)
    pad = round(settings.settle_s * rate)
    out: list[tuple[str, int, int]] = []
    place = start
    for first, last in zip(*runs(away), strict=True):
        first, last = max(place, start + int(first) - pad), min(stop, start + int(last) + pad)
        out += [("idle", place, first), ("other", first, last)]
        place = last
    least = settings.idle_s * rate
    return [one for one in [*out, ("idle", place, stop)] if one[0] == "other" or one[2] - one[1] >= least]


def _measure_signals(
    motion: Motion, body: BodyMap, settings: CutSettings, contacts: Contacts, frames: Index
) -> _Signals:
    rate = motion.rate / (frames[1] if len(frames) > 1 else 1)
    leg = leg_length(motion.skeleton, body)
    few = _pick_frames(motion, frames, rate)
    joints = main_joints(body)
    positions = positions_at(motion, frames, joints) / leg
    place = {int(joint): k for k, joint in enumerate(joints)}
    hips = positions[:, place[body.require("hips")]]
    heading = np.degrees(_smooth(body_map.heading(few, body), rate, 1.0))
    velocity = series.derivative(_smooth(positions, rate, 2 * _SPEED_CUTOFF_HZ), rate)
    turning = _TURN_LEVER_LEGS * _smooth(
        series.angular_velocity(few.rotations[:, joints], rate), rate, 2 * _SPEED_CUTOFF_HZ
    )
    square = (velocity**2).sum(axis=-1) + (turning**2).sum(axis=-1)
    speed = _smooth(np.sqrt(square.mean(axis=1)), rate, _SPEED_CUTOFF_HZ)
    own = velocity - velocity.mean(axis=1, keepdims=True)
    stir = np.sqrt(((own**2).sum(axis=-1) + (turning**2).sum(axis=-1)).mean(axis=1))
    floor_path = _smooth(hips[:, :2], rate, 1.0)
    return _Signals(
        rate=rate,
        speed=speed,
        stir=np.minimum(speed, stir),
        root_motion=np.linalg.norm(series.derivative(floor_path, rate), axis=-1),
        turning=np.abs(series.derivative(heading, rate)),
        heading=heading,
        limbs=_limb_speed(few, body, settings),
        height=hips[:, 2],
        airborne=~contacts.planted[frames].any(axis=1),
        neutral_distance=_neutral_distance(positions, speed < settings.idle_speed),
    )


def _limb_speed(motion: Motion, body: BodyMap, settings: CutSettings) -> Array:
    """The speed (F,) of the fastest hand or foot, as a share of that which makes a strike.

    Hands are seen from their shoulders, feet from the hips, both as the body faces: turning is no strike.
    """
    back = quat.from_yaw(-body_map.heading(motion, body))
    fastest = np.zeros(len(motion))
    for end, parts, least in (
        ("Hand", ("UpperArm", "LowerArm"), settings.strike_speed),
        ("Foot", ("UpperLeg", "LowerLeg"), _MIN_KICK_SPEED_LEGS_S),
    ):
        for side in ("left", "right"):
            chain = [body.get(side + part) for part in (*parts, end)]
            if None in chain:
                continue
            places = positions_at(motion, np.arange(len(motion)), np.array(chain, np.intp))
            length = np.linalg.norm(np.diff(places, axis=1), axis=-1).sum(axis=1).mean()
            reach = quat.rotate(back, places[:, -1] - places[:, 0]) / length
            speed = np.linalg.norm(series.derivative(_smooth(reach, motion.rate, 10.0), motion.rate), axis=-1)
            fastest = np.maximum(fastest, speed / least)
    return fastest


def _pick_frames(motion: Motion, frames: Index, rate: float) -> Motion:
    return Motion(
        motion.skeleton,
        rate,
        motion.rotations[frames],
        motion.root_translation[frames],
        {joint: track[frames] for joint, track in motion.translations.items()},
    )


def _smooth(values: Array, rate: float, cutoff_hz: float) -> Array:
    if len(values) < 3 or cutoff_hz >= rate / 2:
        return values
    return filters.butterworth(values, rate, cutoff_hz, order=2)


def _neutral_distance(positions: Array, calm: Mask) -> Array:
    """Root mean square distance (N,) of each pose from the neutral one: the mean of the resting poses.

    Turns about +Z and shifts on the floor do not count.
    """
    floor = positions[..., 0] + 1j * positions[..., 1]
    floor = floor - floor.mean(axis=1, keepdims=True)
    height = positions[..., 2]
    chosen = calm if calm.any() else np.ones(len(positions), bool)
    # Turned onto the first resting pose, the floor plane can be averaged too.
    turn = floor @ floor[np.argmax(chosen)].conj()
    turned = floor * np.exp(-1j * np.angle(turn))[:, None]
    square = np.abs(turned - np.median(turned[chosen].real, 0) - 1j * np.median(turned[chosen].imag, 0)) ** 2
    square = square + (height - np.median(height[chosen], 0)) ** 2
    return np.sqrt(square.mean(axis=1))


def _close_gaps(mask: Mask, gap_s: float, rate: float) -> Mask:
    """The mask with gaps shorter than `gap_s` closed."""
    return ~_drop_short(~mask, gap_s, rate)


def _drop_short(mask: Mask, least_s: float, rate: float) -> Mask:
    """The mask without runs shorter than `least_s`."""
    out = mask.copy()
    for start, stop in zip(*runs(mask), strict=True):
        if stop - start < least_s * rate:
            out[start:stop] = False
    return out


def _cut_action(
    signals: _Signals, settings: CutSettings, start: int, stop: int
) -> list[tuple[str, int, int]]:
    """One stretch between two rests as clips: turns and steps apart, anything else as a whole."""
    rate, span = signals.rate, slice(start, stop)
    airborne = _drop_short(signals.airborne[span], settings.jump_s, rate)
    rise = float(np.ptp(signals.height[span][airborne])) if airborne.any() else 0.0
    lift = signals.height[span].max() - np.median(signals.height)
    walking = _drop_short(
        _close_gaps(signals.root_motion[span] > settings.locomotion_speed, 0.5, rate),
        settings.locomotion_s,
        rate,
    )
    if airborne.any() and max(rise, lift) > settings.jump_rise and not walking.any():
        return [("jump", start, stop)]
    if signals.limbs[span].max() > 1 and not walking.any():
        return [("strike", start, stop)]
    turning = np.zeros(stop - start, bool)
    for first, last in zip(
        *runs(_close_gaps(signals.turning[span] > settings.turn_deg_s, 0.3, rate)), strict=True
    ):
        turn = signals.heading[start + last - 1] - signals.heading[start + first]
        turning[first:last] = abs(turn) > settings.turn_deg
    if turning.any() and not walking.any():
        return [("turn", start, stop)]
    if not walking.any():
        return [("other", start, stop)]
    return _split_turns(start, turning, walking & ~turning)


def _split_turns(start: int, turning: Mask, walking: Mask) -> list[tuple[str, int, int]]:
    """Runs of turning and of walking; the bits between go to their neighbour."""
    label = np.where(turning, 2, np.where(walking, 1, 0))
    marked = np.flatnonzero(label)
    nearest = np.searchsorted((marked[1:] + marked[:-1]) / 2, np.arange(len(label)))
    label = label[marked[nearest]]
    edges = [0, *(np.flatnonzero(np.diff(label)) + 1).tolist(), len(label)]
    return [("turn" if label[a] == 2 else "locomotion", start + a, start + b) for a, b in pairwise(edges)]
