"""The path of a take that has none, from the feet that carry it.

A suit measures no place, and many clips arrive with their path taken away. What is left says how each sole
moves against the hips; a sole that carries the body stands, so the hips move against it. This is the
zero-velocity update of pedestrian dead reckoning (Foxlin, IEEE Computer Graphics and Applications 25(6),
2005; from memory), with the whole take at hand: one course for the body is sought to which as many low points
of the soles as can be stand still. Iteratively reweighted least squares find it: points that do not stand
lose their weight (Holland and Welsch, Communications in Statistics A6, 1977; weights as of Geman and McClure
1987; from memory), and the bound on weights is tightened step by step, so that no wrong foot is held to.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import filters
from ..maths.blocks import block_tridiagonal
from .bearing import bears_body
from .flights import height_in_flight
from .roll_points import roll_points

# By trial on the open walks, turns and runs, clean and with a suit's noise. What each is worth stands in
# `path_table.py constants`: a third less or half as much again leaves walks and turns within 1.9 % of their
# length, noisy ones within 3.3 %, and the run within 3.6 %.

# A point so high over the floor has 0.37 of the weight of one that touches it, leg lengths.
_TOUCH_LEGS = 0.02
# A body changes its speed slowly beside that of its feet: over about so long while weights are sought. In the
# end over less, so that the course follows feet that brake and push.
_SEEK_S, _FOLLOW_S = 0.08, 0.008
# A point that carries the body may move by so much, leg lengths a second, and keep a quarter of its weight;
# and by a share of the body's speed that grows with it, so much for each leg length a second: runners' feet
# still slide where they land and push off, by a fifth of their speed in the open run.
_SLIP_LEGS_S, _SLIP_SHARE_S = 0.2, 0.15
# Noise of the sensors counts as slip: so many times what the lowest points do in the median.
_NOISE_TIMES = 1.75
# Joints of hands and knees that carry a body lie up to so high over the floor, leg lengths. Trial: without
# them the open crawl goes nowhere, and get-ups and rolls end half a metre off (path_table.py).
_MAX_LIMB_LEGS = 0.1
_MIN_SURE_TOUCH = 0.5  # from so much on a point surely touches the floor (no source)
_PASSES, _FIRST_BOUND = 12, 8.0  # the first pass allows so many times the slip, the last one once
_HEIGHT_SMOOTHING_S = 0.02  # soles meet a floor softly
# Parts that may lie lower than the soles of a body that kneels, crawls or lies, and how high their joints
# are then, leg lengths: about as in the open get-ups (hips 0.08 to 0.11, heads 0.06 to 0.15, knees 0.04 to
# 0.08, hands 0.03 to 0.09).
_LOW_PARTS = {
    "hips": 0.09,
    "head": 0.08,
    "leftHand": 0.04,
    "rightHand": 0.04,
    "leftLowerLeg": 0.06,
    "rightLowerLeg": 0.06,
}
# Hips whose height changes by less, leg lengths, were put at one place (an estimate, no source).
_MIN_HEIGHT_CHANGE_LEGS = 0.002


def path_from_feet(motion: Motion, body: BodyMap) -> Array:
    """How far (F, 3) each frame of a take must be moved so that the feet that carry it stand, metres.

    The first frame keeps its place over the floor. Heights are moved where the take has none of its own: then
    the lowest sole stands at height 0, or hands and knees as high as they lie over a floor, and a body in the
    air follows its throw. Hands and knees on the floor stand as feet do; where nothing carries it (it lies),
    the body stays where it is. Nothing is moved without feet or in fewer than three frames.
    """
    shift = np.zeros((len(motion), 3))
    if not body.feet or len(motion) < 3:
        return shift
    leg = leg_length(motion.skeleton, body)
    feet = roll_points(motion, body).reshape(len(motion), -1, 3)
    hips = joint_in_model(motion, body.require("hips"))[1]
    lowest = np.minimum(_lowest_sole(feet), _lowest_part(motion, body, leg))
    rise = height_in_flight(hips[:, 2] - lowest, feet - hips[:, None], motion.rate, leg) - hips[:, 2]
    limbs = _limbs(motion, body)
    bears = bears_body(motion, body)
    bears = bears[1:] & bears[:-1]
    soles = _touch(feet[..., 2] + rise[:, None], leg) * bears[:, None]
    on_limbs = _touch(limbs[..., 2] + rise[:, None] - _MAX_LIMB_LEGS * leg, leg)
    # Where nothing carries it the body stands: one more point that does.
    lies = ~bears & (on_limbs.max(axis=1, initial=0.0) < _MIN_SURE_TOUCH)
    points = np.concatenate([feet, limbs, np.zeros((len(motion), 1, 3))], axis=1)
    touch = np.concatenate([soles, on_limbs, lies[:, None]], axis=1)
    steps = np.diff(points[..., :2], axis=0) * motion.rate
    course = _course(steps, touch, motion.rate, leg)
    shift[1:, :2] = np.cumsum(course, axis=0) / motion.rate
    if np.ptp(hips[:, 2]) < _MIN_HEIGHT_CHANGE_LEGS * leg:
        shift[:, 2] = filters.moving_mean(rise, round(_HEIGHT_SMOOTHING_S * motion.rate))
    return shift


def _lowest_sole(feet: Array) -> Array:
    """The height (F,) of the lowest heel or ball of points (F, P, 3): tips of toes that bend lie anywhere."""
    return np.asarray(feet.reshape(len(feet), -1, 3, 3)[:, :, :2, 2].min(axis=(1, 2)))


def _lowest_part(motion: Motion, body: BodyMap, leg: float) -> Array:
    """The height (F,) of the lowest part that a body can lie, sit or kneel on."""
    heights = [
        joint_in_model(motion, joint)[1][:, 2] - over * leg
        for part, over in _LOW_PARTS.items()
        if (joint := body.get(part)) is not None
    ]
    return np.min(heights, axis=0)


def _limbs(motion: Motion, body: BodyMap) -> Array:
    """The joints (F, P, 3) of hands and knees."""
    parts = [side + part for side in SIDES for part in ("Hand", "LowerLeg")]
    joints = [joint for part in parts if (joint := body.get(part)) is not None]
    places = [joint_in_model(motion, joint)[1] for joint in joints]
    return np.stack(places, axis=1) if places else np.zeros((len(motion), 0, 3))


def _touch(height: Array, leg: float) -> Array:
    """How much points so high over the floor (F, P) touch it between frames (F - 1, P), 0 to 1."""
    over = np.maximum(height, 0.0)
    return np.asarray(np.exp(-np.square((over[1:] + over[:-1]) / (2 * _TOUCH_LEGS * leg))))


def _course(steps: Array, touch: Array, rate: float, leg: float) -> Array:
    """The velocity (F - 1, 2) of a body at which points stand that touch the floor, m/s.

    They move by steps (F - 1, P, 2), m/s, where they touch it (F - 1, P).
    """
    lowest, sure = touch.argmax(axis=1), touch.max(axis=1) > _MIN_SURE_TOUCH
    course, weight = _balance(steps, touch, _SEEK_S * rate), touch
    for bound in np.geomspace(_FIRST_BOUND, 1.0, _PASSES):
        slip = np.linalg.norm(course[:, None] + steps, axis=-1)
        noise = (
            _NOISE_TIMES * float(np.median(slip[np.arange(len(slip)), lowest][sure])) if sure.any() else 0.0
        )
        speed = np.linalg.norm(course, axis=-1)[:, None]
        allowed = np.sqrt((_SLIP_LEGS_S * leg) ** 2 + (_SLIP_SHARE_S * speed**2 / leg) ** 2 + noise**2)
        weight = touch / np.square(1 + np.square(slip / (bound * allowed)))
        course = _balance(steps, weight, _SEEK_S * rate)
    return _balance(steps, weight, _FOLLOW_S * rate)


def _balance(steps: Array, weight: Array, frames: float) -> Array:
    """The course (N, 2) to which weighted (N, P) points that move by steps (N, P, 2) stand stillest.

    It changes slowly, over about so many frames where the points of a frame weigh 1 in all.
    """
    tie = frames**2
    total = weight.sum(axis=1) + 1e-9
    total[:-1] += tie
    total[1:] += tie
    pull = -(weight[..., None] * steps).sum(axis=1)
    same = np.eye(2)
    above = np.broadcast_to(-tie * same, (len(pull) - 1, 2, 2))
    return block_tridiagonal(total[:, None, None] * same, above, pull)
