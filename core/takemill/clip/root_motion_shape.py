"""Another path for the same steps: straight, at constant speed, with an exact turn, facing forward."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import filters, quat
from .root_motion import RootMotion, move_to_origin, steady_root_motion, with_root_motion, without_root_motion

_TREND_CUTOFF_HZ = 0.5  # slower turns are the path's, faster ones the body's own swing (chosen by eye)


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


def shape_root_motion(
    motion: Motion, root_motion: RootMotion, settings: ShapeSettings, loop: bool = False
) -> tuple[Motion, RootMotion]:
    """The motion on a track of another shape, and that track; what the body does beside it stays.

    Feet follow the track, so a strong change makes them slide: pin them afterwards.

    Raises:
        InputError: a track of another length, or a turn that is not a number.
    """
    if settings.turn_deg is not None and not np.isfinite(settings.turn_deg):
        raise InputError(f"turn_deg: expected a number, got {settings.turn_deg}")
    shaped = root_motion
    if settings.straight:
        shaped = _straighten(shaped, loop)
    if settings.turn_deg is not None:
        shaped = _set_turn(shaped, np.radians(settings.turn_deg))
    if settings.constant_speed:
        shaped = _even_out(shaped, loop)
    if len(root_motion) > 1 and shaped is not root_motion:
        motion = with_root_motion(without_root_motion(motion, root_motion), shaped)
    if settings.forward:
        motion, shaped = move_to_origin(motion, shaped)
    return motion, shaped


def _straighten(root_motion: RootMotion, loop: bool) -> RootMotion:
    """Bent back by the slow part of its heading; the steps keep their length, and the sway stays."""
    if loop or len(root_motion) < 4 or root_motion.rate <= 4 * _TREND_CUTOFF_HZ:
        trend = steady_root_motion(root_motion).heading
    else:
        trend = filters.butterworth(root_motion.heading, root_motion.rate, _TREND_CUTOFF_HZ, order=2)
    return _set_turn(_bend(root_motion, trend[0] - trend), 0.0)


def _set_turn(root_motion: RootMotion, turn: float) -> RootMotion:
    """The whole turn made exact: stretched where the track turns, spread evenly when it hardly turns."""
    own = float(root_motion.heading[-1] - root_motion.heading[0])
    if abs(own) < np.radians(5) or own * turn < 0:
        part = np.linspace(0, 1, len(root_motion))
    else:
        part = (root_motion.heading - root_motion.heading[0]) / own
    bent = _bend(root_motion, (turn - own) * part)
    heading = bent.heading.copy()
    heading[1:][-1:] = heading[0] + turn
    return RootMotion(root_motion.rate, bent.position, heading)


def _bend(root_motion: RootMotion, extra: Array) -> RootMotion:
    """Every step of the track turned by the extra heading (F,) of its frames, radians."""
    steps = quat.rotate(quat.from_yaw((extra[1:] + extra[:-1]) / 2), np.diff(root_motion.position, axis=0))
    position = root_motion.position[0] + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    return RootMotion(root_motion.rate, position, root_motion.heading + extra)


def _even_out(root_motion: RootMotion, loop: bool) -> RootMotion:
    """The same path walked at one speed: places by the length of the path, headings with them.

    A loop's heading is its mean beside the even turn, not what the sway leaves of it at the seam: the path
    would lead off to a side that depends on the seam's phase.
    """
    length = _path_lengths(root_motion.position)
    even = np.linspace(0, length[-1], len(root_motion))
    heading = np.linspace(root_motion.heading[0], root_motion.heading[-1], len(root_motion))
    if loop:
        heading += (root_motion.heading - heading)[:-1].mean()
    if length[-1] < 1e-9:
        return RootMotion(root_motion.rate, root_motion.position, heading)
    position = np.stack([np.interp(even, length, column) for column in root_motion.position.T], axis=-1)
    return RootMotion(root_motion.rate, position, heading)


def _path_lengths(position: Array) -> Array:
    """Length (F,) of the path over the floor up to each frame, metres; never falling."""
    steps = np.linalg.norm(np.diff(position[:, :2], axis=0), axis=-1)
    return np.concatenate([[0.0], np.cumsum(steps)])
