"""Whether feet walk while the hips stay in place: on a treadmill, or in a take without its path."""

from __future__ import annotations

import numpy as np

from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import filters
from .path_from_feet import path_from_feet

# By trial on all open motions at 30 and 120 frames a second, clean and with a suit's noise, with their path
# and without. Hips of a treadmill walk stay within so much, leg lengths: a belt is about as long.
_MAX_HIPS_WAY_LEGS = 1.2
# A walk is faster over a second than this, leg lengths a second; feet that stand slide by less.
_MIN_SPEED_LEGS_S, _STRIDE_S = 0.35, 1.0
# So far somewhere within so long: three or four steps. Takes with their path: at most 1.6 (one gets up from
# the floor, heavily damaged); without it: walks and runs 3.5 and more.
_MIN_WALK_LEGS, _WALK_S = 2.0, 6.0
_ENOUGH_HZ = 30.0  # frames a second that tell a walk: one with more costs time alone


def walked_in_place_m(motion: Motion, body: BodyMap) -> float:
    """How far the feet walk while the hips stay in place, metres; 0 where the take's path is as they say."""
    if not body.feet or "hips" not in body.joints or len(motion) < motion.rate * _STRIDE_S:
        return 0.0
    leg = leg_length(motion.skeleton, body)
    hips = joint_in_model(motion, body.require("hips"))[1][:, :2]
    if np.linalg.norm(np.ptp(hips, axis=0)) > _MAX_HIPS_WAY_LEGS * leg:
        return 0.0
    coarse = _every_nth(motion, max(int(motion.rate / _ENOUGH_HZ), 1))
    steps = np.diff(path_from_feet(coarse, body)[:, :2], axis=0)
    course = filters.moving_mean(steps, round(_STRIDE_S * coarse.rate / 2))
    lengths = np.linalg.norm(course, axis=1)
    lengths[lengths * coarse.rate < _MIN_SPEED_LEGS_S * leg] = 0.0
    total = np.concatenate([[0.0], np.cumsum(lengths)])
    window = min(round(_WALK_S * coarse.rate), len(lengths))
    farthest = float((total[window:] - total[:-window]).max())
    return float(total[-1]) if farthest >= _MIN_WALK_LEGS * leg else 0.0


def _every_nth(motion: Motion, count: int) -> Motion:
    """A motion of every `count`th frame, on the same arrays."""
    if count == 1:
        return motion
    tracks = {joint: track[::count] for joint, track in motion.translations.items()}
    path = motion.root_translation[::count]
    return Motion.trusted(motion.skeleton, motion.rate / count, motion.rotations[::count], path, tracks)
