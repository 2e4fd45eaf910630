"""Tails that follow through: a chain of damped springs, driven by the body.

The open standard VRMC_springBone-1.0 swings each bone's tip by stiffness, drag and gravity, one frame after
another. Here the same three act on the tip's distance y from where the bone would hold it, as a linear
spring, which needs no loop over frames:

    y'' + 2 drag w y' + w^2 y = -g'' - 2 drag w air g' + gravity,    w = 2 pi frequency

where g is the path of the held tip. Between frames g runs straight, so g'' is an impulse at each frame and
y is the sum of the closed-form answers to these impulses: exact at any rate, and a single convolution.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..body.skeleton import Skeleton
from ..feet.flights import GRAVITY_M_S2
from ..maths import quat


@dataclass(frozen=True)
class SpringSettings:
    """How a tail swings.

    Attributes:
        stiffness_hz: swings per second of a bone that is left alone; higher is stiffer.
        drag: 0 swings for ever, 1 comes back without swinging over (the damping ratio).
        air: share of the drag that acts against still air, so that the tail trails behind; the rest is in
            the joints.
        gravity: share of the earth's gravity that the rest pose does not already show.
        limit_deg: no bone swings further from where it is held.
    """

    stiffness_hz: float = 2.5
    drag: float = 0.55
    air: float = 0.2
    gravity: float = 0.0
    limit_deg: float = 35.0


def spring_tail(motion: Motion, body: BodyMap, settings: SpringSettings = SpringSettings()) -> Motion:
    """The motion with its tail (parts tail.0, tail.1 ...) swinging after the body.

    The swing is added to what the tail already does; before the first frame the body is taken to have moved
    on at that frame's speed. A body without a tail comes back as it is.

    Raises:
        InputError: a setting is out of its range.
    """
    _check_settings(settings)
    tail = body.chain("tail")
    if not tail:
        return motion
    rotations = motion.rotations.copy()
    for place, joint in enumerate(tail):
        swung = replace(motion, rotations=rotations)
        turned, head = joint_in_model(swung, joint)
        arm = quat.rotate(turned, _bone_offset(motion.skeleton, tail, place))
        away = _lag(head + arm, motion.rate, settings)
        swing = _limit_swing(quat.between(arm, arm + away), np.radians(settings.limit_deg))
        # The swing stands in model space; inside the joint it acts through the joint's own rotation.
        local = quat.mul(quat.mul(quat.inv(turned), swing), turned)
        rotations[:, joint] = quat.mul(motion.rotations[:, joint], local)
    return motion.with_rotations(rotations)


def _lag(held: Array, rate: float, settings: SpringSettings) -> Array:
    """How far the tip lies from its held path (F, 3), (F, 3) out, metres."""
    frames = len(held)
    w = 2 * np.pi * settings.stiffness_hz
    t = np.arange(frames) / rate
    decay, turn = np.exp(-settings.drag * w * t), w * np.sqrt(1 - settings.drag**2)
    sine = t * np.sinc(turn * t / np.pi)  # sin(turn t) / turn, also where turn is 0
    # The answer to a unit change of speed, less what stays for good: the trail in the air.
    trail = 2 * settings.drag * settings.air / w
    answer = decay * (sine - trail * (np.cos(turn * t) + settings.drag * w * sine))
    speed = np.diff(held, axis=0, append=held[-1:]) * rate
    if frames > 1:
        speed[-1] = speed[-2]
    away = -trail * speed - _convolve(np.diff(speed, axis=0, prepend=speed[:1]), answer)
    away[:, 2] -= settings.gravity * GRAVITY_M_S2 / w**2
    return away


def _convolve(values: Array, kernel: Array) -> Array:
    """Sums of `kernel` (F,) started at each frame, weighted by values (F, 3): (F, 3)."""
    size = 2 * len(values)
    product = np.fft.rfft(values, size, axis=0) * np.fft.rfft(kernel, size)[:, None]
    return np.fft.irfft(product, size, axis=0)[: len(values)]


def _limit_swing(swing: Array, limit: float) -> Array:
    """Rotations (F, 4) whose angle nears `limit` (radians) smoothly and never passes it."""
    vector = quat.log(swing)
    angle = np.linalg.norm(vector, axis=-1, keepdims=True) / limit
    return quat.exp(vector * np.where(angle > 1e-6, np.tanh(angle) / np.maximum(angle, 1e-6), 1.0))


def _bone_offset(skeleton: Skeleton, tail: tuple[int, ...], place: int) -> Array:
    """From a tail joint to its bone's end (3,), in the joint's space, metres."""
    joint = tail[place]
    if place + 1 < len(tail) and skeleton.parents[tail[place + 1]] == joint:
        return skeleton.reference_translation[tail[place + 1]]
    tips = skeleton.tip_offsets[np.asarray(skeleton.tip_joints, np.intp) == joint]
    if len(tips):
        return tips.mean(axis=0)
    if place:  # an end without a tip goes on as the bone before it
        before = skeleton.reference_model[1][joint] - skeleton.reference_model[1][tail[place - 1]]
        return quat.rotate(quat.inv(skeleton.reference_model[0][joint]), before)
    raise InputError(f"springs: the tail {skeleton.names[joint]!r} has neither a second joint nor a tip")


def _check_settings(settings: SpringSettings) -> None:
    expect_positive(settings.stiffness_hz, "springs stiffness_hz")
    expect_positive(settings.limit_deg, "springs limit_deg")
    for name in ("drag", "air"):
        if not 0 <= getattr(settings, name) <= 1:
            raise InputError(f"springs {name}: expected 0 to 1, got {getattr(settings, name)}")
    if not np.isfinite(settings.gravity):
        raise InputError(f"springs gravity: expected a number, got {settings.gravity}")
