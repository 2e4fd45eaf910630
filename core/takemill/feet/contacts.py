"""When heel and toe of each foot are planted."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index, Mask, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..maths import filters, series
from ..maths.series import filled
from ..maths.series import runs as runs
from .floors import find_floors
from .path_drift import path_drift
from .soles import face_down, foot_points

# Where a take climbs or sinks slowly, each pass finds contacts a little further along the path: passes go on
# while each adds so many seconds of contacts, up to so many of them. Trial: a third less or half as much
# again changes nothing in nine damaged takes (sensitivity.py).
_MIN_SPREAD_S, _MAX_PASSES = 1.5, 60


@dataclass(frozen=True)
class ContactSettings:
    """Limits for a planted heel or toe; lengths are in leg lengths, so any rig's scale works.

    The defaults were chosen by eye.

    Attributes:
        speed_in, speed_out: planted below `speed_in` leg lengths a second, and until above `speed_out`.
        speed_usual, speed_share, speed_top: where the quickest foot nearby gets above `speed_usual`,
            `speed_in` grows by this share of what is more, up to `speed_top`, and `speed_out` with it: in a
            run or a kick a planted foot is fast, and still much slower than one that swings.
        near_s: nearby is so long to both sides.
        height_in, height_out: the same for the height over the floor, leg lengths.
        min_planted_s: shorter contacts are dropped.
        min_lifted_s: shorter gaps are closed.
        cutoff_hz: the points are smoothed at this frequency before speeds are taken.
        passes: contacts are found this often, from the second time on in the take without the drift that the
            contacts before show; and more often while each time finds many more of them.
    """

    speed_in: float = 0.45
    speed_out: float = 0.60
    speed_usual: float = 5.4
    speed_share: float = 0.2
    speed_top: float = 0.9
    near_s: float = 1.0
    height_in: float = 0.05
    height_out: float = 0.08
    min_planted_s: float = 0.06
    min_lifted_s: float = 0.05
    cutoff_hz: float = 6.0
    passes: int = 3


@dataclass(frozen=True)
class Contacts:
    """Planted heels and toes of K feet.

    Attributes:
        rate: frames per second.
        feet: (K,) the parts, of "leftFoot" and "rightFoot".
        heel, toe: (F, K) planted.
        floor_m: height of the floor that they stand on; of several the one that the take calls 0.
        rise_m: (F, K, 2) how much higher than that the floor is under heel and toe, on stairs, boxes and
            slopes; None for one level floor.
    """

    rate: float
    feet: tuple[str, ...]
    heel: Mask
    toe: Mask
    floor_m: float
    rise_m: Array | None = None

    def __post_init__(self) -> None:
        for name in ("heel", "toe"):
            mask = np.array(getattr(self, name), dtype=bool)
            if mask.ndim != 2 or mask.shape[1] != len(self.feet):
                raise InputError(f"contacts {name}: expected shape (any, {len(self.feet)}), got {mask.shape}")
            mask.setflags(write=False)
            object.__setattr__(self, name, mask)
        if self.rise_m is not None:
            rise = np.array(self.rise_m, dtype=float)
            if rise.shape != (*self.heel.shape, 2):
                raise InputError(f"contacts rise_m: expected shape {(*self.heel.shape, 2)}, got {rise.shape}")
            rise.setflags(write=False)
            object.__setattr__(self, "rise_m", rise)

    @property
    def planted(self) -> Mask:
        """Heel or toe planted (F, K)."""
        return self.heel | self.toe

    def ranges(self, foot: str) -> tuple[tuple[int, int], ...]:
        """The frames [start, stop) in which `foot` is planted.

        Raises:
            InputError: there is no such foot.
        """
        if foot not in self.feet:
            raise InputError(
                f"contacts: there is no foot {foot!r}; they are {', '.join(self.feet) or 'none'}"
            )
        starts, stops = runs(self.planted[:, self.feet.index(foot)])
        return tuple(zip(starts.tolist(), stops.tolist(), strict=True))

    def over_floor(self, points: Array) -> Array:
        """Heels and toes (F, K, 2, 3) with the floor under each at `floor_m`: as on one level floor."""
        if self.rise_m is None:
            return points
        return np.concatenate([points[..., :2], (points[..., 2] - self.rise_m)[..., None]], axis=-1)

    def levels_m(self) -> Array:
        """The heights (N,) of the floors that feet are planted on, from the lowest up."""
        if self.rise_m is None:
            return np.array([self.floor_m])
        under = np.unique(np.round(self.rise_m.min(axis=-1)[self.planted], 6))
        return np.asarray(self.floor_m + under)

    def levels_of(self, foot: str) -> tuple[float, ...]:
        """The height of the floor, metres, amid each of the `ranges` of a foot, under its lower end."""
        middles = [(start + stop - 1) // 2 for start, stop in self.ranges(foot)]
        if self.rise_m is None:
            return (self.floor_m,) * len(middles)
        under = self.rise_m[middles, self.feet.index(foot)].min(axis=-1)
        return tuple((self.floor_m + under).tolist())

    def scaled(self, ratio: float) -> Contacts:
        """The contacts of a body so many times as tall: treads are as much higher."""
        return self if self.rise_m is None else replace(self, rise_m=ratio * self.rise_m)

    def sliced(self, start: int, stop: int) -> Contacts:
        """The contacts of frames [start, stop)."""
        return self.at_frames(np.arange(start, stop))

    def sampled(self, frames: Array, rate: float) -> Contacts:
        """The contacts of the frames nearest to frame numbers (N,), called 0 to N - 1 at `rate`."""
        nearest = np.clip(np.round(frames).astype(np.intp), 0, len(self.heel) - 1)
        return replace(self.at_frames(nearest), rate=rate)

    def at_frames(self, frames: Index) -> Contacts:
        """The contacts of some frames (N,), one after the other."""
        rise = None if self.rise_m is None else self.rise_m[frames]
        return Contacts(self.rate, self.feet, self.heel[frames], self.toe[frames], self.floor_m, rise)


def find_contacts(motion: Motion, body: BodyMap, settings: ContactSettings = ContactSettings()) -> Contacts:
    """Planted heels and toes: near the floor, slow and of a sole that faces it, each with hysteresis.

    Speeds are taken from points smoothed at `cutoff_hz`, along the floor and up; the floor is the
    height at which slow feet are found most often, or the several heights at which feet carry the body
    (`find_floors`). What all planted points do together is the take's drift, and is taken off before the next
    look. A body map without feet gives no contacts.
    """
    for name in ("speed_in", "speed_out", "speed_top", "height_in", "height_out", "near_s", "cutoff_hz"):
        expect_positive(getattr(settings, name), f"contacts {name}")
    if not body.feet:
        empty = np.zeros((len(motion), 0), bool)
        return Contacts(motion.rate, (), empty, empty, 0.0)
    posed = Posed(motion)
    points, faces = foot_points(motion, body, posed), face_down(motion, body, posed)[..., None]
    leg, hips = leg_length(motion.skeleton, body), _hips_between(posed, body)
    if settings.cutoff_hz < 0.45 * motion.rate:
        points, hips = (
            filters.butterworth(one, motion.rate, settings.cutoff_hz, order=2) for one in (points, hips)
        )
    floor, planted_before, several = 0.0, 0, True
    for look in range(1, _MAX_PASSES + 1):
        speed = np.linalg.norm(series.derivative(points, motion.rate), axis=-1) / leg
        slow = _slow_limit(speed.max(axis=(1, 2)), motion.rate, settings)[:, None, None]
        # A look at one floor takes all feet to its height: none of the next looks finds several.
        floors = find_floors(points, (speed < slow) & faces, hips, leg, motion.rate) if several else None
        several = floors is not None
        if floors is None:
            level, rise = floor_height(points[..., 2], (speed < settings.speed_in) & faces, leg), None
            height = (points[..., 2] - level) / leg
        else:  # of several, one may lie far over the other: a foot under its own stands on none
            level, rise = floors.ground_m, floors.rise_m
            height = np.abs(points[..., 2] - floors.under_m) / leg
        surely = faces & (speed < slow) & (height < settings.height_in)
        maybe = (
            faces & (speed < slow * settings.speed_out / settings.speed_in) & (height < settings.height_out)
        )
        planted = _apply_per_point(_apply_hysteresis, surely, maybe)
        floor += level
        planted_frames = int(planted.any(axis=(1, 2)).sum())
        if look >= settings.passes and planted_frames - planted_before < _MIN_SPREAD_S * motion.rate:
            break
        planted_before = planted_frames
        level_points = points if rise is None else points - _as_heights(rise)
        drift = path_drift(level_points, planted, motion.rate)
        points, hips = points - drift[:, None, None], hips - drift
    planted = _apply_per_point(lambda mask: _tidy(mask, motion.rate, settings), planted)
    return Contacts(motion.rate, body.feet, planted[..., 0], planted[..., 1], floor, rise)


def _hips_between(posed: Posed, body: BodyMap) -> Array:
    """The middle (F, 3) between the upper ends of both legs, metres."""
    legs = [posed.at(body.require(f"{side}UpperLeg"))[1] for side in SIDES]
    return np.asarray(np.mean(legs, axis=0))


def _as_heights(values: Array) -> Array:
    """Heights (...) as vectors (..., 3)."""
    return values[..., None] * np.array([0.0, 0.0, 1.0])


def _slow_limit(speed: Array, rate: float, settings: ContactSettings) -> Array:
    """Below which speed a point is slow (F,), by the speed (F,) of the quickest one: leg lengths a second."""
    half = max(round(settings.near_s * rate), 1)
    nearby = filters.moving_mean(filters.moving_max(speed, half), half)
    more = settings.speed_share * np.maximum(nearby - settings.speed_usual, 0.0)
    return np.minimum(settings.speed_in + more, max(settings.speed_top, settings.speed_in))


def _apply_per_point(verb: Callable[..., Mask], *masks: Mask) -> Mask:
    """A function of masks (F,), applied to each foot and end of masks (F, K, 2)."""
    columns = [mask.reshape(len(mask), -1).T for mask in masks]
    return np.stack([verb(*column) for column in zip(*columns, strict=True)], axis=-1).reshape(masks[0].shape)


def floor_height(heights: Array, slow: Mask, leg: float) -> float:
    """The floor (metres): of the heights (F, ...) of slow points, the lowest that many share.

    A band of 3 % of the leg is slid over the sorted heights; among bands that hold at least half as many as
    the fullest, the lowest gives its median. With no slow frame it is the lowest height.
    """
    found = np.sort(heights[slow])
    if len(found) == 0:
        return float(heights.min())
    held = np.searchsorted(found, found + 0.03 * leg, side="right") - np.arange(len(found))
    first = int(np.argmax(held >= held.max() / 2))
    # Climb from the first band that counts to the fullest that overlaps it.
    last = int(np.searchsorted(found, found[first] + 0.03 * leg, side="right"))
    best = first + int(np.argmax(held[first:last]))
    return float(np.median(found[best : best + held[best]]))


def _apply_hysteresis(surely: Mask, maybe: Mask) -> Mask:
    """The runs of `maybe` (F,) that hold a frame of `surely` (F,)."""
    starts, stops = runs(maybe | surely)
    counts = np.concatenate([[0], np.cumsum(surely)])
    keep = counts[stops] > counts[starts]
    return filled(len(surely), starts[keep], stops[keep])


def _tidy(mask: Mask, rate: float, settings: ContactSettings) -> Mask:
    """Short gaps closed, then short contacts dropped; what touches an end of the take may be short."""
    starts, stops = runs(~mask)
    short = (stops - starts < settings.min_lifted_s * rate) & (starts > 0) & (stops < len(mask))
    mask = mask | filled(len(mask), starts[short], stops[short])
    starts, stops = runs(mask)
    keep = (stops - starts >= settings.min_planted_s * rate) | (starts == 0) | (stops == len(mask))
    return filled(len(mask), starts[keep], stops[keep])
