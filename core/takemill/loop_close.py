"""Closing a loop: the gap between its ends is spread so that the repeated clip has no seam.

Everything is seen beside the steady way from the first frame to the last (travel.steady_travel), so that the
way and the turn of a cycle stay exact. First the gap itself dies out from the seam to both sides as a smooth
offset. Then, where the take goes on before the start or after the end, both readings of the seam are blended
into each other: the result is as smooth as the take. Without such frames the step in speed is taken up by a
second offset.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from . import quat
from .body_map import BodyMap
from .checks import Array, expect_positive
from .errors import InputError
from .motion import Motion
from .travel import Travel, TravelSettings, continued, find_travel, steady_travel, with_travel, without_travel

SPREADS = ("auto", "whole", "seam")
_WHOLE_BELOW_M_S = 0.12  # of the hips; the border between stillness and steps (common practice, no source)
_SPEED_S = 0.15  # how far a step in speed reaches: longer, and it would carry joints away
_FIT_FRAMES = 5  # read at each end to tell its speed


@dataclass(frozen=True)
class CloseSettings:
    """How a seam is closed.

    Attributes:
        spread: "whole" spreads the gap over the whole clip (an idle), "seam" around the seam (steps), "auto"
            tells from the travelling speed.
        seam_s: how far from the seam the spread ("seam") and the blending reach to each side.
        pin: afterwards planted feet of steps and idles are made to stand again, over the seam too
            (loop_feet.pin_loop).
    """

    spread: str = "auto"
    seam_s: float = 0.25
    pin: bool = True


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
    before = take.slice(max(0, start - reach), start) if start > 0 and reach else None
    after = take.slice(end + 1, min(len(take), end + 1 + reach)) if end + 1 < len(take) and reach else None
    return close_loop(clip, body, settings, before=before, after=after)


def close_loop(
    motion: Motion,
    body: BodyMap,
    settings: CloseSettings | None = None,
    *,
    before: Motion | None = None,
    after: Motion | None = None,
    way: Travel | None = None,
) -> Motion:
    """A loop: its last pose equals its first to 1e-6, apart from the way and the turn of one cycle.

    The way and the turn from the first frame to the last stay as they are, unless others are given.

    Args:
        motion: its first and last frame are the seam.
        body: of its skeleton.
        settings: how the gap is spread.
        before: the take's frames up to the start, if there are any; a few tenths of a second help.
        after: the take's frames from the end on.
        way: a root track of F frames whose way and turn the loop gets; None for the motion's own.

    Raises:
        InputError: fewer than two frames, or a setting makes no sense.
    """
    settings = settings or CloseSettings()
    if settings.spread not in SPREADS:
        raise InputError(f"close spread {settings.spread!r}: expected one of {', '.join(SPREADS)}")
    expect_positive(settings.seam_s, "seam_s")
    if len(motion) < 2:
        raise InputError("a loop needs at least two frames")
    steady = steady_travel(way or find_travel(motion, body, TravelSettings()))
    last = len(motion) - 1
    spread = settings.spread
    if spread == "auto":
        spread = "whole" if steady.speed_m_s < _WHOLE_BELOW_M_S else "seam"
    reach = settings.seam_s * motion.rate
    lead_in = min(int(reach), last // 2, len(before) if before else 0)
    lead_out = min(int(reach), last // 2, len(after) if after else 0)
    seam = _Seam(
        frames=last + 1,
        width=last / 2 if spread == "whole" else min(reach, last / 2),
        speed_width=min(_SPEED_S * motion.rate, last / 2),
        lead_in=lead_in,
        lead_out=lead_out,
    )
    whole = _joined(motion, before, after, lead_in, lead_out)
    still = without_travel(whole, continued(steady, lead_in, lead_out))
    closed = replace(
        still,
        rotations=seam.close(still.rotations, _turn_step, _turned),
        root_translation=seam.close(still.root_translation, np.subtract, np.add),
        translations={
            joint: seam.close(track, np.subtract, np.add) for joint, track in still.translations.items()
        },
    )
    return with_travel(closed, steady)


def _joined(
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


def _turn_step(a: Array, b: Array) -> Array:
    """The rotation vector (..., 3), seen from `b`, that leads from `b` to `a`, both (..., 4)."""
    return quat.log(quat.mul(quat.inv(b), a))


def _turned(q: Array, step: Array) -> Array:
    return quat.mul(q, quat.exp(step))


_Minus = Callable[[Array, Array], Array]


@dataclass(frozen=True)
class _Seam:
    """The seam of a clip of F frames with `lead_in` frames before it and `lead_out` after it.

    Values are rotations or vectors; `minus(a, b)` is the step (..., 3) from b to a and `plus(b, step)` its
    inverse.
    """

    frames: int
    width: float
    speed_width: float
    lead_in: int
    lead_out: int

    def close(self, values: Array, minus: _Minus, plus: _Minus) -> Array:
        """(lead_in + F + lead_out, ...) -> (F, ...) whose last value equals its first."""
        last = self.frames - 1
        places = np.arange(-self.lead_in, last + self.lead_out + 1, dtype=np.float64)
        fades = _fade(np.abs(places), self.width), _fade(np.abs(places - last), self.width)
        reach = slice(0, self.lead_in + self.lead_out + 1)
        again = slice(last, last + reach.stop)
        gap: Array = minus(values[again], values[reach]).mean(axis=0)
        values = plus(values, _shaped(0.5 * (fades[0] - fades[1]), gap))
        out = values[self.lead_in : self.lead_in + self.frames].copy()
        if reach.stop > 1:
            return self._blended(values, out, minus, plus)
        slopes = _slope(places, self.speed_width) - _slope(places - last, self.speed_width)
        step = self._speed_step(out, minus)
        out = plus(out, _shaped(0.5 * slopes, step))
        out[-1] = out[0]
        return out

    def _blended(self, values: Array, out: Array, minus: _Minus, plus: _Minus) -> Array:
        """Both readings of the frames around the seam, blended: the end's fades into the start's."""
        last, window = self.frames - 1, self.lead_in + self.lead_out
        start, end = values[: window + 1], values[last : last + window + 1]
        part = 1 - _fade(np.arange(window + 1, dtype=np.float64), float(window))
        step = minus(start, end)
        both = plus(end, part.reshape(-1, *([1] * (step.ndim - 1))) * step)
        out[: self.lead_out + 1] = both[self.lead_in :]
        out[last - self.lead_in :] = both[: self.lead_in + 1]
        return out

    def _speed_step(self, values: Array, minus: _Minus) -> Array:
        """The step in speed (per frame) across the seam, from a few frames at each end.

        Their steps from the seam follow one cubic, plus the step in speed before the seam: least squares.
        """
        fit = min(_FIT_FRAMES, (self.frames - 1) // 2)
        if fit < 1:
            return np.zeros_like(minus(values[:1], values[:1])[0])
        after = np.arange(1.0, fit + 1)[:, None]
        powers = np.arange(1, min(3, 2 * fit - 1) + 1)
        rows = np.block([[after**powers, 0 * after], [(-after) ** powers, -after]])
        weights = np.linalg.pinv(rows)[-1]
        around = np.concatenate([values[1 : fit + 1], values[-2 : -fit - 2 : -1]])
        steps = minus(around, np.broadcast_to(values[0], around.shape))
        return np.tensordot(weights, steps, 1)


def _shaped(weights: Array, step: Array) -> Array:
    """Weights (F,) times a step (..., 3)."""
    return np.multiply(weights.reshape(-1, *([1] * step.ndim)), step)


def _fade(distance: Array, width: float) -> Array:
    """From 1 at distance 0 to 0 at `width` and beyond, with two flat derivatives at both ends."""
    t: Array = np.clip(1 - distance / width, 0.0, 1.0)
    return t**3 * (10 - 15 * t + 6 * t * t)


def _slope(offset: Array, width: float) -> Array:
    """A bump with value 0 and slope 1 at offset 0 that has died out at `width` to both sides."""
    t: Array = np.clip(np.abs(offset) / width, 0.0, 1.0)
    return offset * (1 - t) ** 3 * (1 + 3 * t)
