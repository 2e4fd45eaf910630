"""Clips of one skeleton as channels, one behind the other in time, and how far off a pose is that keys play.

Everything here lies in the axes of the motions, in single precision, components first: (4, J, T) or (3, J, T)
for T frames of all clips together. Joints are ordered by depth, so that each depth is a slice.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from . import reduce_planes as planes
from .displacement import reaches
from .reduce_planes import Planes
from .tracks import MAX_SAME_DIFFERENCE, moving_channels

# Rotations are rounded to so many steps of one: what differs by less gives the same keys.
_ROTATION_GRID = np.float32(2**22)
# Poses of a clip at which the distances of joints are measured. Trial: 3 or 8 change the bytes of straight
# keys by 0.1 % (sensitivity_keys.py).
_MAX_LOOKS = 5
# Errors of a chain rarely point the same way at once, so more than the bound is shared out. By trial on open
# motions and samples: with 5.5 some take 0.5 % more bytes, with 7 and more up to 3 %.
_BOUND_MULTIPLE = 6.0
_MIN_DIVISOR = 1e-9  # so that nothing is divided by 0; far below any length in metres


class ClipChannels:
    """B clips seen as C channels: R joints that turn, then S joints that slide.

    Attributes:
        rate: frames per second.
        order: (J,) the skeleton's joints by their depth; other joints below are places in it.
        starts, stops: (B,) the frames of each clip, half-open.
        clip: (T,) the clip of each frame.
        last: (T,) the last frame of each frame's clip.
        turning: (R,) joints that turn in some clip.
        sliding: (S,) joints that slide in some clip.
        moving: (C, B) whether a channel moves in a clip.
        rotations: (4, R, T) the curves of the channels that turn.
        places: (3, S, T) the curves of those that slide, metres.
        allowed: (C, T) the error that is meant for each channel, radians or metres.
        max_turn: how far each joint may be turned in model space, radians.
        turn_at_bound: (R, B) the turn of a channel that takes up a bound alone, radians.
    """

    def __init__(
        self, motions: Sequence[Motion], bounds: Iterable[Array], max_turn: float, probe_m: float
    ) -> None:
        """Take motions of one skeleton and rate apart.

        Args:
            motions: the clips.
            bounds: (F, J) of each, how far its joints may be displaced, metres.
            max_turn: how far each joint may be turned in model space, radians.
            probe_m: the reach of a joint, metres.
        """
        skeleton = motions[0].skeleton
        depth = np.array([len(skeleton.path_to(joint)) for joint in range(len(skeleton))])
        self.order: Index = np.argsort(depth, kind="stable")
        place = np.argsort(self.order)
        parents = np.asarray(skeleton.parents, np.intp)[self.order]
        self._parents = np.where(parents >= 0, place[parents], -1)
        edges = np.searchsorted(depth[self.order], np.arange(1, depth.max() + 2))
        self._levels = [slice(int(a), int(b)) for a, b in pairwise(edges)]
        counts = np.array([len(motion) for motion in motions])
        self.stops: Index = np.cumsum(counts)
        self.starts: Index = self.stops - counts
        self.clip: Index = np.repeat(np.arange(len(motions)), counts)
        self.last: Index = np.repeat(self.stops - 1, counts)
        self.rate = motions[0].rate
        self._read(motions, skeleton)
        self.max_turn = np.float32(max_turn)
        self._bound = np.concatenate(list(bounds)).T[self.order].astype(np.float32)
        self._reach = reaches(skeleton, probe_m)[self.order].astype(np.float32)[:, None]
        self._tips = _tips(
            len(skeleton), place[np.asarray(skeleton.tip_joints, np.intp)], skeleton.tip_offsets
        )
        lengths = np.sqrt([planes.dot(tip, tip) for tip in self._tips]).max(axis=0)
        self._size = np.maximum(self._reach, lengths[:, None])  # of what hangs on each joint
        self._levers = self._measure_levers()
        self._lever_rows = np.ascontiguousarray(self._levers.reshape(len(self.moving), -1).T)
        self._allow(max(1, round(motions[0].rate / 40)))

    def _read(self, motions: Sequence[Motion], skeleton: Skeleton) -> None:
        """The curves of the channels, and the poses of all joints."""
        found = [moving_channels(motion) for motion in motions]
        turns, slides = (np.stack(one, axis=1)[self.order] for one in zip(*found, strict=True))
        self.turning: Index = np.flatnonzero(turns.any(axis=1))
        self.sliding: Index = np.flatnonzero(slides.any(axis=1))
        self.moving: Mask = np.concatenate([turns[self.turning], slides[self.sliding]])
        child = slice(self._levels[0].stop, None)
        # In one piece, plane by plane: what is made of it lies in memory likewise.
        whole = np.empty((4, len(self.order), len(self.clip)))
        for motion, start, stop in zip(motions, self.starts, self.stops, strict=True):
            whole[..., start:stop] = motion.rotations.transpose(2, 1, 0)[:, self.order]
        self._local = planes.unit(np.rint(whole.astype(np.float32) * _ROTATION_GRID) / _ROTATION_GRID)
        first, final = self._local[:, :, self.starts], self._local[:, :, self.stops - 1]
        closed = (np.abs(final - first) < 2 * MAX_SAME_DIFFERENCE).all(axis=0)
        self._local[:, :, self.stops - 1] = np.where(closed, first, final)
        self._model = self._to_model_space(self._local)
        self.rotations = np.ascontiguousarray(self._local[:, self.turning])
        offsets = np.empty((3, *self._local.shape[1:]), np.float32)
        offsets[...] = skeleton.rest_translation[self.order].T[..., None]
        for joint in self.sliding:
            tracks = [motion.translation_of(int(self.order[joint])) for motion in motions]
            offsets[:, joint] = np.concatenate(tracks).T
        self.places = np.ascontiguousarray(offsets[:, self.sliding])
        self._bones = offsets
        self._bones[:, child] = planes.rotate(self._model[:, self._parents[child]], offsets[:, child])

    def _to_model_space(self, local: Planes) -> Planes:
        out = np.empty_like(local)
        for level in self._levels:
            parents = self._parents[level]
            own = local[:, level]
            out[:, level] = own if parents[0] < 0 else planes.mul(out[:, parents], own)
        return out

    def _sum_steps(self, steps: Planes) -> Planes:
        """Steps (3, J, N) from each joint's parent added up from the roots."""
        out = steps.copy()
        for level in self._levels[1:]:
            out[:, level] += out[:, self._parents[level]]
        return out

    def _measure_levers(self) -> Planes:
        """How far (C, J, B) an error of each channel moves each joint, metres by radian or metre."""
        parts = np.arange(_MAX_LOOKS) / (_MAX_LOOKS - 1)
        looks = (self.starts[:, None] + (self.stops - 1 - self.starts)[:, None] * parts).astype(np.intp)
        bones = self._bones[:, :, looks.ravel()].copy()
        bones[:, self._levels[0]] = 0
        places = self._sum_steps(bones)
        below = np.eye(len(self.order), dtype=bool)  # [i, j]: j is i or hangs below it
        for joint, parent in enumerate(self._parents):
            if parent >= 0:
                below[:, joint] |= below[:, parent]
        farthest = np.zeros((len(self.turning), len(self.order), len(self.starts)), np.float32)
        for look in range(_MAX_LOOKS):
            at = places[..., look::_MAX_LOOKS]
            offsets = at[:, self.turning, None] - at[:, None]
            np.maximum(farthest, planes.dot(offsets, offsets), out=farthest)
        farthest = (np.sqrt(farthest) + self._size) * below[self.turning][..., None]
        slid = np.broadcast_to(below[self.sliding][..., None], (len(self.sliding), *farthest.shape[1:]))
        return np.concatenate([farthest, slid.astype(farthest.dtype)])

    def _allow(self, step: int) -> None:
        """Share the bounds out among the channels.

        A channel of curvature k takes keys by the root of k / error. Where errors, each times its lever, add
        up to a bound, the keys are fewest if an error goes by the third root of k / lever^2; quarters
        of the powers are near enough, and every processor takes square roots alike.
        """
        curvature = np.concatenate(
            [self._curvature(self.rotations, step), self._curvature(self.places, step)]
        )
        leaf = np.ones(len(self.order), bool)
        leaf[self._parents[self._parents >= 0]] = False
        # Added up leaf by leaf: a sum along an axis goes in another order where there is one clip alone.
        reach = np.maximum(sum(self._levers[:, joint] for joint in np.flatnonzero(leaf)), _MIN_DIVISOR)
        share = np.sqrt(np.sqrt(curvature / reach) / reach) * self.moving
        total = np.maximum((self._levers * share[:, None]).sum(axis=0), _MIN_DIVISOR)
        part = (_BOUND_MULTIPLE * self._bound / total[:, self.clip]).astype(np.float32)
        for joint in range(len(self.order) - 1, self._levels[0].stop - 1, -1):
            parent = self._parents[joint]
            np.minimum(part[parent], part[joint], out=part[parent])
        joints = np.concatenate([self.turning, self.sliding])
        self.allowed = share[:, self.clip].astype(np.float32) * part[joints]
        count = len(self.turning)
        self.allowed[:count] = np.minimum(self.allowed[:count], self.max_turn)
        lowest = np.minimum.reduceat(self._bound, self.starts, axis=1)
        self.turn_at_bound = 1 / (self._levers[:count] / lowest).max(axis=1)

    def _curvature(self, curves: Planes, step: int) -> Planes:
        """How much (N, B) curves (D, N, T) bend, on the average of its root."""
        bend = np.zeros(curves.shape[1:], np.float32)
        if curves.shape[-1] > 2 * step:
            second = curves[..., 2 * step :] - 2 * curves[..., step:-step] + curves[..., : -2 * step]
            inside = self.clip[2 * step :] == self.clip[: -2 * step]
            bend[:, step:-step] = np.sqrt(np.sqrt(planes.dot(second, second))) * inside
        mean = np.add.reduceat(bend, self.starts, axis=1) / (self.stops - self.starts)
        return np.maximum(mean * mean, _MIN_DIVISOR)

    def measure_errors(
        self, rotations: Planes, places: Planes, frames: Index | slice = slice(None)
    ) -> tuple[Planes, Planes]:
        """How far a pose is off that keys play.

        Args:
            rotations: (4, R, N) that the channels play on N frames.
            places: (3, S, N) likewise.
            frames: which frames those are.

        Returns:
            How much of the bounds (J, N) it takes, 1 being all; the error (C, N) that each channel makes.
        """
        model, bones = self._model[..., frames], self._bones[..., frames]
        own = planes.error(rotations, self.rotations[..., frames])
        turns = self._sum_turns(own, model)
        child = slice(self._levels[0].stop, None)
        steps = np.zeros_like(bones)
        above, offsets = turns[:, self._parents[child]], bones[:, child]
        steps[:, child] = planes.cross(above, offsets + planes.cross(above, offsets) / 2)
        slid = places - self.places[..., frames]
        for row, joint in enumerate(self.sliding):
            parent = self._parents[joint]
            steps[:, joint] += slid[:, row] if parent < 0 else planes.rotate(model[:, parent], slid[:, row])
        shifts = self._sum_steps(steps)
        angle = np.sqrt(planes.dot(turns, turns))
        # No point moves farther than its joint, and by the joint's turn times how far away it is. Only where
        # that would be too far is it worth to know better.
        bound = self._bound[:, frames]
        excess = np.sqrt(planes.dot(shifts, shifts))
        excess += angle * self._size
        excess /= bound
        places_of = np.nonzero(excess > 1)
        joints, at = places_of
        moved = self._displace(joints, model[:, joints, at], turns[:, joints, at], shifts[:, joints, at])
        excess[places_of] = moved / bound[places_of]
        errors = np.concatenate([planes.dot(own, own), planes.dot(slid, slid)])
        return np.maximum(excess, angle / self.max_turn, out=excess), np.sqrt(errors)

    def _sum_turns(self, own: Planes, model: Planes) -> Planes:
        """The small turns (3, J, N) in model space that turns (3, R, N) in the parents' spaces make.

        A turn `a` after a turn `b` is a + b + a x b / 2, to second order.
        """
        roots = int(np.searchsorted(self.turning, self._levels[0].stop))
        out = np.zeros((3, *model.shape[1:]), own.dtype)
        out[:, self.turning[:roots]] = own[:, :roots]
        hanging = self.turning[roots:]
        out[:, hanging] = planes.rotate(model[:, self._parents[hanging]], own[:, roots:])
        child = slice(self._levels[0].stop, None)
        above = self._sum_steps(out)[:, self._parents[child]]
        out[:, child] += planes.cross(above, out[:, child]) / 2
        return self._sum_steps(out)

    def _displace(self, joints: Index, model: Planes, turns: Planes, shifts: Planes) -> Planes:
        """As `displacement.displacements`, metres (N,), of joints (N,) that rotations (4, N) place."""
        angle = np.sqrt(planes.dot(turns, turns))
        along = planes.dot(shifts, turns) / np.maximum(angle, np.float32(1e-12))
        along *= along
        side = np.sqrt(np.maximum(planes.dot(shifts, shifts) - along, 0)) + angle * self._reach[joints, 0]
        out: Planes = np.sqrt(along + side * side)
        for tip in self._tips:
            moved = shifts + planes.cross(turns, planes.rotate(model, tip[:, joints]))
            np.maximum(out, np.sqrt(planes.dot(moved, moved)), out=out)
        return out

    def blamed(self, excess: Planes, channel_errors: Planes) -> Mask:
        """The channels (C, T) with the largest part in errors (J, T) beyond the bounds, where those peak."""
        joints, frames = np.nonzero(excess > 1)
        here, final = excess[joints, frames], excess.shape[1] - 1
        peak = here >= excess[joints, np.maximum(frames - 1, 0)]
        peak &= here >= excess[joints, np.minimum(frames + 1, final)]
        joints, frames = joints[peak], frames[peak]
        out = np.zeros(channel_errors.shape, bool)
        part = self._lever_rows.take(joints * len(self.starts) + self.clip[frames], axis=0)
        part *= channel_errors.take(frames, axis=1).T
        out[part.argmax(axis=1), frames] = True
        return out


def _tips(count: int, joints: Index, offsets: Array) -> list[Planes]:
    """The first tips (3, J) of all joints, then their second ones and so on; 0 where there is none."""
    out = [np.zeros((3, count), np.float32)]
    used = np.zeros(count, np.intp)
    for joint, offset in zip(joints, offsets, strict=True):
        if used[joint] == len(out):
            out.append(np.zeros((3, count), np.float32))
        out[used[joint]][:, joint] = offset
        used[joint] += 1
    return out
