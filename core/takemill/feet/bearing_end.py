"""Which end of a planted foot bears it, heel or ball, and what that end does."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..maths import filters, series
from ..maths.series import runs, without_short

# Half the time in which a foot goes over from heel to ball. Trial: a third less or half as much again changes
# the repaired path by 0.3 % (sensitivity.py).
_HALF_ROLL_S = 0.01
# A foot whose bearing end rises faster than this, foot lengths a second (5 cm/s), over so long, does not
# stand. A floor that a take sinks by, or noise, is slower (3 cm/s in the tests). No source.
_MAX_STANDING_RISE_FEET_S, _LIFT_S = 0.3, 0.05
# Near a long time without feet one that rises or comes down by more, at such a speed, foot lengths (2 cm),
# hangs in the air after that, or before: one who lets himself down on his knees. No source.
_MIN_HANGING_FEET = 0.1
_MIN_KEPT_S = 0.2  # a contact keeps so much: a runner's is no longer (chosen by eye)
_LONG_GAP_S = 1.0  # without a foot down: longer than any flight of a jump
# Pitched by more, one end is clearly lower. Trial: at 1.3 degrees planted feet skate by 6 % more, at 3 by
# 80 % more (sensitivity.py).
_MIN_CLEAR_PITCH_SINE = np.sin(np.radians(2.0))


def is_on_ball(points: Array, planted: Mask) -> Mask:
    """Where feet (F, K) with heels and balls at points (F, K, 2, 3), planted (F, K, 2), stand on the ball.

    A foot stands on the end that is clearly lower, or alone planted. Between two such stretches on different
    ends it goes over where it turns least; one that lies flat throughout turns about the end that goes the
    shorter way.
    """
    along = points[..., 1, :] - points[..., 0, :]
    pitch = along[..., 2] / np.maximum(np.linalg.norm(along, axis=-1), 1e-12)
    heel = (pitch > _MIN_CLEAR_PITCH_SINE) & planted[..., 0] | ~planted[..., 1]
    ball = (pitch < -_MIN_CLEAR_PITCH_SINE) & planted[..., 1] | ~planted[..., 0]
    steps = np.linalg.norm(np.diff(points[..., :2], axis=0), axis=-1)  # (F - 1, K, 2)
    turns = np.linalg.norm(np.diff(along[..., :2], axis=0), axis=-1)  # (F - 1, K)
    out = ball & ~heel
    for k in range(points.shape[1]):
        for start, stop in zip(*runs(planted[:, k].any(axis=1)), strict=True):
            sure = start + np.flatnonzero((heel ^ ball)[start:stop, k])
            if not len(sure):
                slid = steps[start : stop - 1, k].sum(axis=0)
                out[start:stop, k] = slid[1] < slid[0]
                continue
            out[start : sure[0], k], out[sure[-1] : stop, k] = ball[sure[0], k], ball[sure[-1], k]
            for gap in np.flatnonzero(np.diff(sure) > 1):
                left, right = sure[gap], sure[gap + 1]
                over = left + 1 + int(turns[left:right, k].argmin())
                out[left:over, k], out[over:right, k] = ball[left, k], ball[right, k]
    return out


def end_course(points: Array, ball_share: Array, rate: float) -> tuple[Array, Array]:
    """Steps (F - 1, K, 2) of the end that bears each foot, and heights (F, K).

    Points are (F, K, 2, 3); ball_share (F - 1, K) is 1 in steps in which a foot stands on its ball and 0 in
    those on its heel. The height is that of the lower end, and goes over softly from one end to the other.
    """
    low = soften(points[..., 1, 2] < points[..., 0, 2], rate)
    steps = np.diff(points[..., :2], axis=0)
    height = points[..., 0, 2] + low * (points[..., 1, 2] - points[..., 0, 2])
    step = steps[..., 0, :] + ball_share[..., None] * (steps[..., 1, :] - steps[..., 0, :])
    return step, height


def trim_lifts(height: Array, known: Mask, foot_m: Array, rate: float, roll_s: float) -> Mask:
    """Contacts (F, K) without the frames at their ends in which a foot already rises, or still comes down.

    Heights (F, K) are those of the end that bears it; feet are so long (K,), metres. At most `roll_s` goes at
    each end, but for contacts beside a long time without any: what they say last would go on through all of
    it. There all goes that lies beyond a rise, too.
    """
    half = max(round(_LIFT_S * rate / 2), 1)
    speed = np.abs(series.derivative(filters.moving_mean(height, half), rate))
    moves = speed > _MAX_STANDING_RISE_FEET_S * foot_m
    out, alone = known.copy(), _beside_long_gaps(known.any(axis=1), rate)
    for k in range(known.shape[1]):
        for start, stop in zip(*(edges.tolist() for edges in runs(known[:, k])), strict=True):
            most = max(stop - start - round(_MIN_KEPT_S * rate), 0) // 2
            still = np.flatnonzero(~moves[start:stop, k])
            first, last = (still[0], stop - start - 1 - still[-1]) if len(still) else (most, most)
            hangs = _beyond_rises(
                height[start:stop, k], moves[start:stop, k], _MIN_HANGING_FEET * foot_m[k], most
            )
            before, after = (
                min(most, max(int(edge), far)) if alone[frame] else min(most, int(edge), round(roll_s * rate))
                for frame, edge, far in zip((start, stop - 1), (first, last), hangs, strict=True)
            )
            out[start : start + before * (start > 0), k] = False
            out[stop - after * (stop < len(known)) : stop, k] = False
    return out


def _beyond_rises(height: Array, moves: Mask, least: float, most: int) -> tuple[int, int]:
    """How many frames at the start and at the end of a contact lie beyond a rise, of `most` at each end.

    A rise is a run of frames that move (N,), at whose ends heights (N,) differ by more than `least`, metres.
    """
    starts, stops = runs(moves)
    rises = np.abs(height[np.minimum(stops, len(height) - 1)] - height[starts]) > least
    early, late = stops[rises & (stops <= most)], starts[rises & (starts >= len(height) - most)]
    return int(early.max(initial=0)), len(height) - int(late.min(initial=len(height)))


def _beside_long_gaps(known: Mask, rate: float) -> Mask:
    """The frames (F,) of a mask (F,) and those that lie near its long gaps."""
    long = without_short(~known, round(_LONG_GAP_S * rate))
    near = filters.moving_max(long.astype(float), round(_MIN_KEPT_S * rate)) > 0
    return np.asarray(near)


def soften(mask: Mask, rate: float) -> Array:
    """A mask (F, ...) as numbers from 0 to 1, with edges that last a few frames."""
    half = int(_HALF_ROLL_S * rate)
    return filters.moving_mean(filters.moving_mean(mask.astype(float), half), half)
