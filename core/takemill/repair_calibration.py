"""A performer's reference pose at the start or end of a take, and what it tells about how the sensors sat.

Performers stand in a T or an A for a moment, feet hip-width apart (common practice, no source). How each
joint then differs from the rig's own rest pose is an error of its sensor's seat, the same all through the
take.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from . import quat, series
from .body_map import BodyMap
from .checks import Array, owned
from .errors import InputError
from .motion import Motion

_HELD_S = 0.5  # a pose held for less is passing
_STILL_DEG_S = 25.0  # the mean joint turns less than this while a pose is held
_SEARCHED_S = 15.0  # at either end of the take
_NEAR_REST_DEG = 25.0  # a joint further from the rig's rest is posed differently, not seated badly
_STANDING = ("UpperArm", "LowerArm", "UpperLeg", "LowerLeg")


@dataclass(frozen=True)
class ReferencePose:
    """A held rest pose.

    Attributes:
        start, stop: frames, half-open; offered as a trim.
        seats: (J, 4) the turn of each joint's sensor on its bone, in the bone's space; the identity where
            unknown.
        largest_deg: the largest of these turns.
    """

    start: int
    stop: int
    seats: Array
    largest_deg: float


def find_reference_pose(motion: Motion, body: BodyMap) -> ReferencePose | None:
    """The rest pose that the take starts or ends with, or None.

    It is the longest stretch within 15 seconds of either end in which all joints hold still and arms and
    legs lie within 25 degrees of the rig's rest pose.
    """
    parts = [j for side in ("left", "right") for p in _STANDING if (j := body.get(side + p)) is not None]
    if len(parts) < 4 or len(motion) < _HELD_S * motion.rate:
        return None
    turning = np.degrees(quat.length(series.angular_velocity(motion.rotations, motion.rate))).mean(axis=1)
    away = quat.angle_between(motion.rotations[:, parts], motion.skeleton.rest_rotation[parts])
    held = (turning < _STILL_DEG_S) & (np.degrees(away).max(axis=1) < _NEAR_REST_DEG)
    far = round(_SEARCHED_S * motion.rate)
    held[far : max(len(held) - far, far)] = False
    starts, stops = series.runs(held)
    if len(starts) == 0 or (stops - starts).max() < _HELD_S * motion.rate:
        return None
    longest = int(np.argmax(stops - starts))
    start, stop = int(starts[longest]), int(stops[longest])
    seats = _seats(motion, start, stop)
    return ReferencePose(start, stop, owned(seats), float(np.degrees(quat.angle(seats)).max()))


def _seats(motion: Motion, start: int, stop: int) -> Array:
    """Each sensor's turn on its bone (J, 4): what is measured is the bone's model rotation times this."""
    rest = motion.skeleton.rest_rotation
    there = motion.rotations[start:stop]
    mean = quat.normalize(quat.continuous(there).mean(axis=0))
    seats = np.tile(quat.IDENTITY, (len(rest), 1))
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent < 0:  # which way the performer faced is no error
            heading = quat.from_yaw(quat.yaw(quat.mul(mean[joint], quat.inv(rest[joint]))))
            off = quat.mul(quat.inv(quat.mul(heading, rest[joint])), mean[joint])
        else:
            off = quat.mul(quat.inv(rest[joint]), quat.mul(seats[parent], mean[joint]))
        near = np.degrees(quat.angle(off)) < _NEAR_REST_DEG
        seats[joint] = off if near else quat.IDENTITY
    return seats


def without_seats(motion: Motion, pose: ReferencePose) -> Motion:
    """The whole take with its sensors' seats taken out: in the reference pose it now equals the rig's rest.

    Raises:
        InputError: the pose is of another skeleton.
    """
    if len(pose.seats) != len(motion.skeleton):
        raise InputError(f"reference pose: of {len(pose.seats)} joints, the take has {len(motion.skeleton)}")
    rotations = quat.mul(motion.rotations, quat.inv(pose.seats))
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent >= 0:
            rotations[:, joint] = quat.mul(pose.seats[parent], rotations[:, joint])
    return motion.with_rotations(rotations)
