"""What actions are told from: where a body is, how it moves and how it turns, at a few frames a second."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from ..base.checks import Array, Index, Mask
from ..body import body_map
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..clip.clouds import main_joints, positions_at
from ..feet.contacts import Contacts
from ..maths import filters, series

SIGNAL_RATE_HZ = 30.0  # about so many frames a second are looked at: one is 33 ms (chosen by eye)
_CALM_CUTOFF_HZ = 1.5  # of speeds: a guard that bounces at 2 Hz has one steady speed
_PATH_CUTOFF_HZ = 1.0  # of hips over the floor and of the heading: a step's sway is no travel
_MAX_FLIGHT_S = 1.2  # a jump of 1.7 m lasts so long: t^2 g / 8
_MAX_STANDING_SPEED_LEGS_S = 0.45  # as of `ContactSettings.speed_in`
_TURN_LEVER_LEGS = 0.15  # a joint that only turns counts as if it moved a point so far away (chosen by eye)


@dataclass(frozen=True)
class Signals:
    """A take at N frames; lengths are in leg lengths, angles in radians.

    Attributes:
        rate: frames per second of the N.
        places: (N, P, 3) of the main joints, in the world.
        columns: part -> its column of `places`.
        floor: (N, P) the places over the floor as complex numbers, about their mean: without where it stands.
        heading: (N,) unwrapped.
        steady_heading: (N,) the same, smoothed.
        speed: (N,) root mean square speed of the joints, per second.
        calm_speed: (N,) the same, smoothed: how lively the body is here.
        travel: (N,) speed of the hips over the floor, smoothed.
        turning: (N,) how fast the heading changes, smoothed, without sign.
        planted: (N, K) feet on the floor.
        feet: the K feet.
    """

    rate: float
    places: Array
    columns: Mapping[str, int]
    floor: NDArray[np.complex128]
    heading: Array
    steady_heading: Array
    speed: Array
    calm_speed: Array
    travel: Array
    turning: Array
    planted: Mask
    feet: tuple[str, ...]

    def __len__(self) -> int:
        return len(self.places)

    def frames(self, seconds: float) -> int:
        """So many seconds in frames, at least one."""
        return max(1, round(seconds * self.rate))

    def seen_from(self, part: str, origin: str, frames: slice = slice(None)) -> Array:
        """Where a part is, (F, 3), from another one in F frames, as the body faces: left, back, up."""
        away = self.places[frames, self.columns[part]] - self.places[frames, self.columns[origin]]
        return as_faced(away, self.heading[frames])

    def height(self, part: str) -> Array:
        """Of a part over the floor (N,)."""
        return self.places[:, self.columns[part], 2]


def measure_signals(motion: Motion, body: BodyMap, contacts: Contacts, frames: Index) -> Signals:
    """The signals of a take at some evenly spaced frames (N,)."""
    rate = motion.rate / (frames[1] - frames[0] if len(frames) > 1 else 1)
    leg = leg_length(motion.skeleton, body)
    few = Motion(
        motion.skeleton,
        rate,
        motion.rotations[frames],
        motion.root_translation[frames],
        {joint: track[frames] for joint, track in motion.translations.items()},
    )
    joints = main_joints(body)
    places = positions_at(motion, frames, joints)
    places[..., 2] -= contacts.floor_m
    places /= leg
    place = {int(joint): column for column, joint in enumerate(joints)}
    columns = {part: place[joint] for part, joint in body.joints.items() if joint in place}
    heading = body_map.heading(few, body)
    steady = smooth(heading, rate, _PATH_CUTOFF_HZ)
    velocity = series.derivative(_smooth_lightly(places), rate)
    # A unit quaternion changes by half of the angular velocity.
    turned = series.derivative(few.rotations[:, joints], rate)
    square = np.einsum("npk,npk->n", velocity, velocity)
    square += (2 * _TURN_LEVER_LEGS) ** 2 * np.einsum("npk,npk->n", turned, turned)
    speed = np.sqrt(square / len(joints))
    path = smooth(places[:, columns["hips"], :2], rate, _PATH_CUTOFF_HZ)
    feet = [columns[foot] for foot in contacts.feet]
    floor = places[..., 0] + 1j * places[..., 1]
    return Signals(
        rate=rate,
        places=places,
        columns=columns,
        floor=floor - floor.mean(axis=1, keepdims=True),
        heading=heading,
        steady_heading=steady,
        speed=speed,
        calm_speed=smooth(speed, rate, _CALM_CUTOFF_HZ),
        travel=np.linalg.norm(series.derivative(path, rate), axis=-1),
        turning=np.abs(series.derivative(steady, rate)),
        planted=_without_long_flights(contacts.planted[frames], velocity[:, feet], rate),
        feet=contacts.feet,
    )


def _smooth_lightly(places: Array) -> Array:
    """Places (N, ...) weighted 1, 2, 1 with their neighbours in time: halves a wave at a quarter of the rate.

    All joints at once cost a filter as long as all the rest here.
    """
    if len(places) < 3:
        return places
    out = places.copy()
    out[1:-1] *= 0.5
    out[1:-1] += 0.25 * (places[:-2] + places[2:])
    return out


def _without_long_flights(planted: Mask, velocity: Array, rate: float) -> Mask:
    """Feet (N, K) on the floor; where no body can fly so long, slow feet stand, on whatever it is.

    `velocity` (N, K, 3) is theirs. Steps, platforms and takes whose floor is unclear have such flights.
    """
    slow = np.linalg.norm(velocity, axis=-1) < _MAX_STANDING_SPEED_LEGS_S
    out = planted.copy()
    for start, stop in zip(*series.runs(~planted.any(axis=1)), strict=True):
        if stop - start > _MAX_FLIGHT_S * rate:
            out[start:stop] = slow[start:stop]
    return out


def as_faced(vectors: Array, heading: Array | float) -> Array:
    """World vectors (..., 3) as a body of that heading sees them: to its left, behind it, up."""
    c, s = np.cos(heading), np.sin(heading)
    x, y = vectors[..., 0], vectors[..., 1]
    return np.stack([c * x + s * y, c * y - s * x, vectors[..., 2]], axis=-1)


def smooth(values: Array, rate: float, cutoff_hz: float) -> Array:
    """Values (N, ...) below a frequency; as they are where there are too few."""
    if len(values) < 3 or cutoff_hz >= rate / 2:
        return values
    return filters.butterworth(values, rate, cutoff_hz, order=2)
