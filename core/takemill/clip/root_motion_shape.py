"""Another way for the same steps: straight, at constant speed, turning by an exact angle, facing forward."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import filters, quat
from .root_motion import Travel, at_origin, steady_travel, with_travel, without_travel

_TREND_HZ = 0.5  # what turns slower is the way; what turns faster is the body's own swing


@dataclass(frozen=True)
class ShapeSettings:
    """What the root track becomes.

    Attributes:
        straight: the bends are taken out of the path, and out of the heading with it; steps keep their
            length.
        constant_speed: the same path at one speed, and the turn at one turning speed.
        turn_deg: the turn from the first frame to the last, counter-clockwise; None leaves it.
        forward: the track starts at the origin with heading 0.
    """

    straight: bool = False
    constant_speed: bool = False
    turn_deg: float | None = None
    forward: bool = False


def shape_travel(
    motion: Motion, travel: Travel, settings: ShapeSettings, loop: bool = False
) -> tuple[Motion, Travel]:
    """The motion on a track of another shape, and that track; what the body does beside it stays.

    Feet follow the track, so a strong change makes them slide: pin them afterwards.

    Raises:
        InputError: a track of another length, or a turn that is not a number.
    """
    if settings.turn_deg is not None and not np.isfinite(settings.turn_deg):
        raise InputError(f"turn_deg: expected a number, got {settings.turn_deg}")
    shaped = travel
    if settings.straight:
        shaped = _straight(shaped, loop)
    if settings.turn_deg is not None:
        shaped = _turned(shaped, np.radians(settings.turn_deg))
    if settings.constant_speed:
        shaped = _even(shaped)
    if len(travel) > 1 and shaped is not travel:
        motion = with_travel(without_travel(motion, travel), shaped)
    if settings.forward:
        motion, shaped = at_origin(motion, shaped)
    return motion, shaped


def _straight(travel: Travel, loop: bool) -> Travel:
    """Bent back by the slow part of its heading; the steps keep their length, and the sway stays."""
    if loop or len(travel) < 4 or travel.rate <= 4 * _TREND_HZ:
        trend = steady_travel(travel).heading
    else:
        trend = filters.butterworth(travel.heading, travel.rate, _TREND_HZ, order=2)
    return _turned(_bent(travel, trend[0] - trend), 0.0)


def _turned(travel: Travel, turn: float) -> Travel:
    """The whole turn made exact: more or less where the track turns, evenly when it hardly turns."""
    own = float(travel.heading[-1] - travel.heading[0])
    if abs(own) < np.radians(5) or own * turn < 0:
        part = np.linspace(0, 1, len(travel))
    else:
        part = (travel.heading - travel.heading[0]) / own
    bent = _bent(travel, (turn - own) * part)
    heading = bent.heading.copy()
    heading[1:][-1:] = heading[0] + turn
    return Travel(travel.rate, bent.position, heading)


def _bent(travel: Travel, extra: Array) -> Travel:
    """Every step of the track turned by the extra heading (F,) of its frames, radians."""
    steps = quat.rotate(quat.from_yaw((extra[1:] + extra[:-1]) / 2), np.diff(travel.position, axis=0))
    position = travel.position[0] + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    return Travel(travel.rate, position, travel.heading + extra)


def _even(travel: Travel) -> Travel:
    """The same path walked at one speed: places by the length of the path, headings with them."""
    length = _length(travel.position)
    even = np.linspace(0, length[-1], len(travel))
    heading = np.linspace(travel.heading[0], travel.heading[-1], len(travel))
    if length[-1] < 1e-9:
        return Travel(travel.rate, travel.position, heading)
    position = np.stack([np.interp(even, length, column) for column in travel.position.T], axis=-1)
    return Travel(travel.rate, position, heading)


def _length(position: Array) -> Array:
    """The way (F,) along the path over the floor up to each frame, metres; strictly rising."""
    steps = np.linalg.norm(np.diff(position[:, :2], axis=0), axis=-1)
    return np.concatenate([[0.0], np.cumsum(steps)])
