"""Fewer keys on curves of components, as an animation editor plays them, within a bound in model space.

An editor such as Blender runs each component of a location, a quaternion or Euler angles by itself from key
to key, and makes a rotation of them afterwards. So not slerp is judged here but what such curves play.

Smooth curves are cubic Hermite splines. A Bezier curve whose handles reach a third of the way to the next
key is one: its time runs evenly (Farin, Curves and Surfaces for CAGD, 5th edition, section 7.5).
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import NamedTuple

import numpy as np

from ..base.checks import Array, Index, Mask, expect_finite, expect_positive, expect_shape
from ..base.errors import InputError
from ..body.skeleton import Skeleton
from ..keys.displacement import displacements, levers, reaches
from ..maths import kinematics, quat
from .hermite import SlopeFit, Spans, slopes_of, smooth, straight

LocalPose = Callable[[Array], tuple[Array, Array]]
"""Components (C, T) -> local rotations (T, J, 4) and translations (T, J, 3), metres."""

# Of the bound; keys are stored as float32, and between looks a curve strays a little further.
_BOUND_SHARE = 0.95
_MIN_BLAMED_SHARE = 0.7  # of the largest part in an error: groups with less get no key (chosen by eye)
_MAX_STILL_CHANGE = 1e-6  # of a component: float32 does not resolve less
_PIECE_FRAMES = 240  # that are worked on together (chosen by eye)
# At smooth curves, as for glTF (keys/reduce_error.py); straight ones are worst on frames.
_LOOKS_PER_FRAME = 4


@dataclass(frozen=True)
class CurveSettings:
    """How far thinned curves may lie from the motion.

    Attributes:
        max_error_m: the largest displacement in model space of any joint, of what lies within its reach,
            and of its tips, metres.
        probe_m: the reach of a joint, metres; less where all its bones are shorter.
        smooth: cubic curves with a slope at each key, for editing; otherwise straight lines.
    """

    max_error_m: float = 0.0005
    probe_m: float = 0.1
    smooth: bool = True

    def __post_init__(self) -> None:
        for name in ("max_error_m", "probe_m"):
            expect_positive(getattr(self, name), name)


@dataclass(frozen=True)
class Curves:
    """C curves over F frames, some of them always keyed together.

    Attributes:
        values: (C, F) on every frame.
        group: (C,) which curves share their keys: 0 to G - 1.
        joints: (G,) the joint that a group moves.
        turns: (G,) whether it turns that joint; otherwise it moves it.
    """

    values: Array
    group: Index
    joints: Index
    turns: Mask

    def __post_init__(self) -> None:
        expect_shape(self.values, (len(self.group), None), "curves")
        expect_shape(self.turns, (len(self.joints),), "turns of curves")
        expect_finite(self.values, "curves")
        if self.values.shape[1] == 0:
            raise InputError("curves: they have no frames")


class ThinCurves(NamedTuple):
    """Where the keys are: (G, F), and how steep all curves (C, F) are there, per frame; 0 if straight."""

    keys: Mask
    slopes: Array


def thin_curves(
    curves: Curves,
    skeleton: Skeleton,
    pose: LocalPose,
    settings: CurveSettings | None = None,
    loop: bool = False,
    progress: Callable[[float], object] | None = None,
) -> ThinCurves:
    """The keys, on frames and on the curves, that keep all joints within the bound.

    The first and the last frame are keys, but a group that stands still has just the first. Keys come where
    the curves stray furthest, so they lie on the extremes that an animator would key. Long curves are worked
    on piece by piece, with keys on all groups where two pieces meet.

    Args:
        curves: what every frame says.
        skeleton: of the joints that the curves move.
        pose: what values of all curves make of the skeleton.
        settings: the bound.
        loop: the last frame goes on as the first, and slopes likewise.
        progress: called, from time to time, with the share that is done; what it raises ends the work.

    Raises:
        InputError: the curves are no finite numbers of one length.
    """
    settings = settings or CurveSettings()
    frames = curves.values.shape[1]
    steep = slopes_of(curves.values, loop)
    keys, slopes = np.zeros((len(curves.joints), frames), bool), np.zeros_like(curves.values)
    edges = np.linspace(0, frames - 1, max(round(frames / _PIECE_FRAMES), 1) + 1).round().astype(int)

    def thin(start: int, stop: int) -> None:
        piece = replace(curves, values=curves.values[:, start : stop + 1])
        whole = loop and len(edges) == 2
        held = start > 0 or (loop and not whole), stop < frames - 1 or (loop and not whole)
        found = _Piece(piece, steep[:, start : stop + 1], held, whole, skeleton, pose, settings).thin()
        keys[:, start : stop + 1] |= found.keys
        slopes[:, start : stop + 1] = found.slopes  # where two pieces meet, both have the same

    with ThreadPoolExecutor(os.cpu_count()) as pool:  # numpy lets other threads run while it computes
        waiting = [pool.submit(thin, *ends) for ends in pairwise(edges)]
        try:
            for number, one in enumerate(waiting):
                if progress:
                    progress(number / len(waiting))
                one.result()
        finally:
            for one in waiting:
                one.cancel()
    moved = np.abs(curves.values - curves.values[:, :1]).max(axis=1)
    still = np.ones(len(keys), bool)
    np.logical_and.at(still, curves.group, moved <= _MAX_STILL_CHANGE)
    keys[still, 1:] = False
    return ThinCurves(keys, slopes)


class _Piece:
    """A stretch of curves whose keys are sought: how far off keys are, each group alone and all together."""

    def __init__(
        self,
        curves: Curves,
        steep: Array,
        held: tuple[bool, bool],
        loop: bool,
        skeleton: Skeleton,
        pose: LocalPose,
        settings: CurveSettings,
    ) -> None:
        self._curves, self._steep, self._held, self._loop = curves, steep, held, loop
        self._skeleton, self._pose, self._smooth = skeleton, pose, settings.smooth
        self._bound = _BOUND_SHARE * settings.max_error_m
        self._reach = reaches(skeleton, settings.probe_m)
        lever = levers(skeleton, self._reach, np.zeros(len(skeleton), bool))
        self._weight = np.where(curves.turns, lever[curves.joints], 1.0) / self._bound
        count = len(skeleton)
        self._below = np.zeros((count, count))  # [j, i]: j is i or hangs below it
        for joint in range(count):
            self._below[joint, list(skeleton.path_to(joint))] = 1
        self._look(1)

    def _look(self, per_frame: int) -> None:
        """Look so often at each frame from now on."""
        self._per_frame = per_frame
        every = Spans.of(np.ones(self._steep.shape, bool))
        wanted = self._draw(self._steep.ravel(), every)
        self._fit = SlopeFit(wanted, self._steep, per_frame)
        self._local = self._pose(wanted)
        self._model = kinematics.model_from_local(self._skeleton.parents, *self._local)

    def thin(self) -> ThinCurves:
        """The keys (G, F) with which all lies within the bound, and the slopes of the curves (C, F)."""
        keys = np.zeros((len(self._curves.joints), self._steep.shape[1]), bool)
        keys[:, [0, -1]] = True
        while (score := self.measure_alone(keys)).any():
            keys = _split(keys, score)
        if self._smooth:
            self._look(_LOOKS_PER_FRAME)
        while (score := self.blame(keys)).any():
            keys = _split(keys, score)
        spans, slopes = Spans.of(keys[self._curves.group]), np.zeros(self._steep.shape)
        slopes.ravel()[spans.keys] = self._fit_slopes(spans)
        return ThinCurves(keys, slopes)

    def _fit_slopes(self, spans: Spans) -> Array:
        """How steep the curves are at keys (N,), per frame; 0 where they are straight."""
        if not self._smooth:
            return np.zeros(len(spans.keys))
        firsts, lasts = spans.firsts, spans.length == 0
        held = lasts & self._held[1]
        held[firsts] |= self._held[0]
        out = self._fit.at(self._curves.values, spans, held)
        if self._loop:
            out[firsts] = out[lasts] = (out[firsts] + out[lasts]) / 2
        return out

    def _draw(self, slopes: Array, spans: Spans) -> Array:
        values = self._curves.values
        if self._smooth:
            return smooth(values, slopes, spans, self._per_frame)
        return straight(values, spans, self._per_frame)

    def _play(self, keys: Mask) -> tuple[Array, Array]:
        """The local pose that keys (G, F) make."""
        spans = Spans.of(keys[self._curves.group])
        return self._pose(self._draw(self._fit_slopes(spans), spans))

    def measure_alone(self, keys: Mask) -> Array:
        """The parts (G, F) of the bound that groups take with keys (G, F), where one is too far by itself."""
        parts = self._on_frames(self._bound_parts(self._play(keys)))
        return np.where((parts > 1) & ~keys.all(axis=1, keepdims=True), parts, 0.0)

    def blame(self, keys: Mask) -> Array:
        """The parts (G, F) of the groups that are to blame where something is too far; 0 elsewhere."""
        local = self._play(keys)
        turned, at = kinematics.model_from_local(self._skeleton.parents, *local)
        turns = quat.log(quat.mul(turned, quat.inv(self._model[0])))
        displaced = displacements(self._skeleton, self._reach, self._model[0], at - self._model[1], turns)
        bad = (displaced > self._bound).astype(np.float64)
        parts = np.where((bad @ self._below[:, self._curves.joints]).T > 0, self._bound_parts(local), 0.0)
        worst = parts.max(axis=0, initial=0.0)
        parts = self._on_frames(np.where(parts >= _MIN_BLAMED_SHARE * worst, parts, 0.0))
        return np.where(keys.all(axis=1, keepdims=True), 0.0, parts)

    def _bound_parts(self, local: tuple[Array, Array]) -> Array:
        """What part of the bound (G, T) each group takes by itself in a local pose."""
        joints = self._curves.joints
        angle = quat.angle_between(local[0][:, joints], self._local[0][:, joints])
        shift = np.linalg.norm(local[1][:, joints] - self._local[1][:, joints], axis=-1)
        return (np.where(self._curves.turns, angle, shift) * self._weight).T

    def _on_frames(self, parts: Array) -> Array:
        """Parts (G, T) at looks -> (G, F): between frames they count for the frames before and after."""
        if self._per_frame == 1:
            return parts
        out = parts[:, :: self._per_frame].copy()
        for step in range(1, self._per_frame):
            between = parts[:, step :: self._per_frame]
            np.maximum(out[:, :-1], between, out=out[:, :-1])
            np.maximum(out[:, 1:], between, out=out[:, 1:])
        return out


def _split(keys: Mask, score: Array) -> Mask:
    """Keys (G, F) with one more in each span where a score (G, F) is not 0: where it is largest.

    Where all such frames are keys already, their neighbours are to blame, and become keys too.
    """
    inner = np.where(keys, 0.0, score)
    starts = np.flatnonzero(keys)  # each row begins with a key, so no span leads into the next row
    best = np.maximum.reduceat(inner.ravel(), starts)
    best = np.repeat(best, np.diff(np.append(starts, keys.size))).reshape(keys.shape)
    out: Mask = keys | ((inner == best) & (best > 0))
    stuck = (out == keys).all(axis=1) & (score > 0).any(axis=1)
    while stuck.any() and (out[stuck] == keys[stuck]).all():
        wide = score > 0
        wide[:, 1:] |= score[:, :-1] > 0
        wide[:, :-1] |= score[:, 1:] > 0
        out[stuck] |= wide[stuck]
        score = np.where(wide, 1.0, score)
    return out
