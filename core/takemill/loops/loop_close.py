"""Closing a loop: the gap between its ends is spread so that the repeated clip has no seam.

Everything is measured against the steady path from the first frame to the last (`steady_root_motion`), so
that the path and the turn of a cycle stay exact. The loop's acceleration is the take's own: before the seam
that of the frames up to the end, after it that of the frames from the start on, each faded into the other
where the take goes on. Of all closed loops that come near to that, the one that also stays nearest to the
take is chosen: a screened Poisson problem in time, as in gradient-domain editing of images (Perez, Gangnet
and Blake, Poisson Image Editing, SIGGRAPH 2003), but of second differences.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    extend_steady,
    find_root_motion,
    put_root_at_rest,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)
from ..maths.easing import minimum_jerk
from .ring import ROUNDS, Minus, Plus, apply_turn, solve_ring, spread_over, turn_step

SPREADS = ("auto", "whole", "seam")
_MAX_WHOLE_SPEED_M_S = 0.12  # of the hips: the border between an idle and steps (common practice, no source)
# Times seam_s: over so long an idle absorbs a step in speed; over longer it would move away (chosen by eye).
_WHOLE_REACH_FACTOR = 4
_MAX_FIT_FRAMES = 5  # at each end, that its speed is fitted to where the take does not go on (chosen by eye)
_MAX_WARP_FRAMES = 0.499  # further, the next frame would be nearer
_WARP_WINDOW_S = 0.1  # to both sides of the seam, that the cycle's exact length is fitted to (chosen by eye)


@dataclass(frozen=True)
class CloseSettings:
    """How a seam is closed.

    Attributes:
        spread: "whole" spreads the gap over the whole clip (an idle), "seam" around the seam (locomotion),
            "auto" decides by the speed over the floor.
        seam_s: how far from the seam the blending reaches to each side. There a change ("seam") has fallen to
            a third, and at twice that to a thirtieth.
        pin: afterwards planted feet of locomotion and idles are pinned again, over the seam too
            (loop_feet.pin_loop).
        warp: the cycle's length is found to a part of a frame, and its time is changed evenly, by less than
            half a frame in all, so that it is a whole number of frames.
    """

    spread: str = "auto"
    seam_s: float = 0.2
    pin: bool = True
    warp: bool = False


def close_range(
    take: Motion, body: BodyMap, start: int, end: int, settings: CloseSettings | None = None
) -> Motion:
    """The loop of frames `start` to `end` (inclusive) of a take, closed with the frames around it.

    Raises:
        InputError: as for `close_loop`, or the frames lie outside the take.
    """
    settings = settings or CloseSettings()
    clip = take.slice(start, end + 1)
    reach = min(round(settings.seam_s * take.rate), len(clip) // 2)
    first, last = max(0, start - reach), min(len(take) - 1, end + reach)
    around = take.slice(first, last + 1)
    if settings.warp and end > start:
        pace = (exact_end(take, body, start, end) - start) / (end - start)
        around = take.sampled(start + (np.arange(first, last + 1) - start) * pace, take.rate)
    clip = around.slice(start - first, end + 1 - first)
    before = around.slice(0, start - first) if start > first else None
    after = around.slice(end + 1 - first, len(around)) if last > end else None
    return close_loop(clip, body, settings, before=before, after=after)


def exact_end(take: Motion, body: BodyMap, start: int, end: int) -> float:
    """The frame number, less than half a frame from `end`, at which the take repeats frame `start` best.

    By least squares over the local rotations of all mapped joints but the hips and what they hang on, in the
    frames around the seam: pose at the start = pose at the end + their speed there times the rest.
    """
    reach = max(1, round(_WARP_WINDOW_S * take.rate))
    offsets = np.arange(-min(reach, start), min(reach, len(take) - 2 - end) + 1)
    fixed = take.skeleton.path_to(body.require("hips"))
    joints = [joint for joint in body.joints.values() if joint not in fixed]
    if not len(offsets) or not joints:
        return float(end)
    there, here, ahead, behind = (
        take.rotations[frame + offsets][:, joints] for frame in (start, end, end + 1, end - 1)
    )
    gap = turn_step(there, here)
    speed = (turn_step(ahead, here) - turn_step(behind, here)) / 2
    power = float((speed**2).sum())
    part = float((gap * speed).sum()) / power if power > 0 else 0.0
    return min(end + float(np.clip(part, -_MAX_WARP_FRAMES, _MAX_WARP_FRAMES)), len(take) - 1.0)


def close_loop(
    motion: Motion,
    body: BodyMap,
    settings: CloseSettings | None = None,
    *,
    before: Motion | None = None,
    after: Motion | None = None,
    root_motion: RootMotion | None = None,
) -> Motion:
    """A loop: its last pose equals its first to 1e-6, apart from the path and the turn of one cycle.

    The path and the turn from the first frame to the last stay as they are, unless others are given.

    Args:
        motion: its first and last frame are the seam.
        body: of its skeleton.
        settings: how the gap is spread.
        before: the take's frames up to the start, if there are any; a few tenths of a second help.
        after: the take's frames from the end on.
        root_motion: a root track of F frames whose path and turn the loop gets; None for the motion's own.

    Raises:
        InputError: fewer than two frames, or a setting makes no sense.
    """
    settings = settings or CloseSettings()
    if settings.spread not in SPREADS:
        raise InputError(f"close spread {settings.spread!r}: expected one of {', '.join(SPREADS)}")
    expect_positive(settings.seam_s, "seam_s")
    if len(motion) < 2:
        raise InputError("a loop needs at least two frames")
    steady = steady_root_motion(root_motion or find_root_motion(motion, body, RootMotionSettings()))
    last = len(motion) - 1
    spread = settings.spread
    if spread == "auto":
        spread = "whole" if steady.speed_m_s < _MAX_WHOLE_SPEED_M_S else "seam"
    reach = settings.seam_s * motion.rate
    lead_in = min(int(reach), last // 2, len(before) if before else 0)
    lead_out = min(int(reach), last // 2, len(after) if after else 0)
    seam = _Seam(last + 1, reach, lead_in, lead_out, spread == "whole")
    whole = _join_around(motion, before, after, lead_in, lead_out)
    in_place = put_root_at_rest(without_root_motion(whole, extend_steady(steady, lead_in, lead_out)), body)
    closed = replace(
        in_place,
        rotations=seam.close(in_place.rotations, turn_step, apply_turn),
        root_translation=seam.close(in_place.root_translation, np.subtract, np.add),
        translations={
            joint: seam.close(track, np.subtract, np.add) for joint, track in in_place.translations.items()
        },
    )
    return with_root_motion(closed, steady)


def _join_around(
    motion: Motion, before: Motion | None, after: Motion | None, lead_in: int, lead_out: int
) -> Motion:
    """The last `lead_in` frames of `before`, the motion, and the first `lead_out` frames of `after`."""
    parts = [motion]
    if before is not None and lead_in:
        parts.insert(0, before.slice(len(before) - lead_in, len(before)))
    if after is not None and lead_out:
        parts.append(after.slice(0, lead_out))
    tracks = {joint for part in parts for joint in part.translations}
    return Motion(
        motion.skeleton,
        motion.rate,
        np.concatenate([part.rotations for part in parts]),
        np.concatenate([part.root_translation for part in parts]),
        {joint: np.concatenate([part.translation_of(joint) for part in parts]) for joint in tracks},
    )


@dataclass(frozen=True)
class _Seam:
    """The seam of a clip of F frames with `lead_in` frames before it and `lead_out` after it.

    Values are rotations or vectors; `minus(a, b)` is the step (..., 3) from b to a and `plus(b, step)` its
    inverse. Their bend is their second difference over time. A change reaches about `reach` frames; with
    `whole` the gap in pose is spread evenly over all frames instead, and that in speed a few times further.
    """

    frames: int
    reach: float
    lead_in: int
    lead_out: int
    whole: bool

    def close(self, values: Array, minus: Minus, plus: Plus) -> Array:
        """(lead_in + F + lead_out, ...) -> (F, ...) whose last value equals its first."""
        last = self.frames - 1
        if self.whole:
            values = self._spread_gap(values, minus, plus)
        out = values[self.lead_in : self.lead_in + self.frames].copy()
        at_seam, change = self._wanted_bend(
            minus(values[2:], values[1:-1]) + minus(values[:-2], values[1:-1])
        )
        gap = minus(out[0], out[last])
        if not self.lead_in + self.lead_out:
            at_seam = minus(out[1], out[0]) + minus(out[last - 1], out[last]) + self._speed_step(out, minus)
        reach = self.reach * (_WHOLE_REACH_FACTOR if self.whole else 1)
        for _ in range(ROUNDS):
            change[0] += at_seam - minus(out[1], out[0]) - minus(out[last - 1], out[last]) + gap
            change[last - 1] -= gap
            out[:last] = plus(out[:last], solve_ring(change, reach))
            out[last] = out[0]
            change, gap = np.zeros_like(change), np.zeros_like(gap)
        return out

    def _spread_gap(self, values: Array, minus: Minus, plus: Plus) -> Array:
        """The gap in pose, a mean around the seam, spread evenly over the whole clip."""
        last, window = self.frames - 1, self.lead_in + self.lead_out + 1
        gap = minus(values[:window], values[last : last + window]).mean(axis=0)
        part = np.arange(-self.lead_in, last + self.lead_out + 1) / last - 0.5
        return plus(values, part.reshape(-1, *([1] * gap.ndim)) * gap)

    def _speed_step(self, values: Array, minus: Minus) -> Array:
        """The step in speed (per frame) across the seam, from a few frames at each end.

        Their steps from the seam follow one cubic, plus the step in speed before the seam: least squares.
        """
        fit = min(_MAX_FIT_FRAMES, (self.frames - 1) // 2)
        if fit < 1:
            return np.zeros_like(minus(values[0], values[0]))
        after = np.arange(1.0, fit + 1)[:, None]
        powers = np.arange(1, min(3, 2 * fit - 1) + 1)
        rows = np.block([[after**powers, 0 * after], [(-after) ** powers, -after]])
        weights = np.linalg.pinv(rows)[-1]
        steps = np.concatenate(
            [minus(values[1 : fit + 1], values[:1]), minus(values[-2 : -fit - 2 : -1], values[-1:])]
        )
        return np.tensordot(weights, steps, 1)

    def _wanted_bend(self, bend: Array) -> tuple[Array, Array]:
        """The bend at the seam (...), and how it shall change at the frames of the cycle (F - 1, ...).

        Before the seam it is that of the frames up to the end, after the seam that of the frames from the
        start on; where the take goes on, each fades into the other. `bend` lacks the outermost two frames.
        """
        last, before = self.frames - 1, self.lead_in - 1
        offsets = np.arange(-before, self.lead_out)  # from the seam, where both readings are known
        start, end = bend[offsets + before], bend[offsets + before + last]
        part = minimum_jerk((offsets + self.lead_in) / max(self.lead_in + self.lead_out, 1))
        mixed = end + spread_over(part, start) * (start - end)
        change = np.zeros((last, *bend.shape[1:]))
        change[offsets % last] = mixed - np.where(spread_over(offsets < 0, start), end, start)
        change[0] = 0
        if self.lead_in and self.lead_out:
            return mixed[before], change
        if self.lead_in or self.lead_out:  # one reading of the seam
            return bend[before if self.lead_in else last - 1], change
        return change[0], change  # none


def close_vectors(values: Array, lead_in: int, lead_out: int, reach: float) -> Array:
    """Vectors closed as the body is around its seam: (lead_in + F + lead_out, W) -> (F, W).

    The first `lead_in` and the last `lead_out` frames are those around the loop, and a change reaches about
    `reach` frames.
    """
    seam = _Seam(len(values) - lead_in - lead_out, reach, lead_in, lead_out, whole=False)
    return seam.close(values, np.subtract, np.add)
