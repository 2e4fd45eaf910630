"""The channels of a clip, and how far off a pose is that keys play."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from . import quat
from .checks import Array, Index, Mask
from .displacement import displacements, levers, reaches
from .key_values import chords
from .motion import Motion
from .tracks import channels, moves

_BLAMED = 0.7  # of the largest part in an error: who has less is left alone


class Pose(NamedTuple):
    """What keys play and how far it is off: values of keys and errors on every frame.

    Attributes:
        rotations: (R, F, 4) local, meaningful at keys.
        places: (T, F, 3) local, metres, meaningful at keys.
        turns: (F, J, 3) errors in model space, radians.
        shifts: (F, J, 3) errors in model space, metres.
    """

    rotations: Array
    places: Array
    turns: Array
    shifts: Array


class ClipChannels:
    """A motion seen as C channels: R joints that turn, then T joints that slide.

    Joints that turn are keyed so as to make up for what their parents' keys play, so that an error of
    rotation is felt down to the next of them and no further.

    Attributes:
        turning: (R,) joints whose rotation moves.
        sliding: (T,) joints whose translation moves.
        joints: (C,) both.
        felt: (R, F) the turn of a joint alone that displaces something by its bound, radians.
        max_turn: how far each joint may be turned in model space, radians.
        allowed: (C, F) the error of a channel alone that takes up a bound, radians or metres.
        levels: joints by their depth, roots first.
        still: (J, 3) the first frame's translations, kept by all that do not slide.
    """

    def __init__(self, motion: Motion, bound: Array, max_turn: float, probe_m: float) -> None:
        """Take a motion apart.

        Args:
            motion: the clip.
            bound: (F, J) how far each joint may be displaced, metres.
            max_turn: how far each joint may be turned in model space, radians.
            probe_m: the reach of a joint, metres.
        """
        skeleton = motion.skeleton
        count = len(skeleton)
        self.motion, self.skeleton = motion, skeleton
        self.rotations, self.positions = motion.model()
        self.still = motion.local_translations()[0]
        moving = [(joint, path) for joint, path, values, _ in channels(motion) if moves(values)]
        self.turning = np.array([joint for joint, path in moving if path == "rotation"], np.intp)
        self.sliding = np.array([joint for joint, path in moving if path == "translation"], np.intp)
        self.joints = np.concatenate([self.turning, self.sliding])
        turns = np.isin(np.arange(count), self.turning)
        self._reach = reaches(skeleton, probe_m)
        felt = (bound / levers(skeleton, self._reach, turns)).T
        self.felt, self.max_turn, self._bound = felt[self.turning], max_turn, bound
        self.allowed = np.concatenate([np.minimum(self.felt, max_turn), bound[:, self.sliding].T])
        self._parents = np.array(skeleton.parents, np.intp)
        self._below = np.zeros((count, count))  # [j, i]: j is i or hangs below it
        # The joint whose turn each joint follows: itself, or the next above it that turns; -1 for none.
        self._follows = np.empty(count, np.intp)
        for joint, parent in enumerate(skeleton.parents):
            self._below[joint, list(skeleton.path_to(joint))] = 1
            above = self._follows[parent] if parent >= 0 else -1
            self._follows[joint] = joint if turns[joint] else above
        depth = self._below.sum(axis=1)
        self.levels = [np.flatnonzero(depth == level) for level in range(1, int(depth.max()) + 1)]

    def parent_places(self, positions: Array, joints: Index) -> Array:
        """Where (F, N, 3) the parents of `joints` are in model space, metres."""
        parents = self._parents[joints]
        return np.where((parents < 0)[:, None], 0.0, positions[:, parents])

    def parent_rotations(self, rotations: Array, joints: Index) -> Array:
        """The rotation (F, N, 4) that the parents of `joints` have in model space."""
        parents = self._parents[joints]
        return np.where((parents < 0)[:, None], quat.IDENTITY, rotations[:, parents])

    def chord_pose(self, keys: Mask) -> Pose:
        """The pose of keys (C, F) that lie on the motion, to first order; a joint makes up for its parent."""
        count = len(self.turning)
        turning, sliding = self.curves()
        straight = chords(turning, keys[:count])
        local = 2 * quat.mul(straight, quat.inv(turning))[..., 1:].swapaxes(0, 1)
        turns = np.zeros((*self.positions.shape[:2], 3))
        turns[:, self.turning] = quat.rotate(self.parent_rotations(self.rotations, self.turning), local)
        turns = np.where((self._follows < 0)[:, None], 0.0, turns[:, self._follows])
        child = self._parents >= 0
        steps = np.zeros_like(turns)
        above = self._parents[child]
        steps[:, child] = np.cross(turns[:, above], self.positions[:, child] - self.positions[:, above])
        slid = (chords(sliding, keys[count:]) - sliding).swapaxes(0, 1)
        steps[:, self.sliding] += quat.rotate(self.parent_rotations(self.rotations, self.sliding), slid)
        return Pose(turning, sliding, turns, self._below @ steps)

    def curves(self) -> tuple[Array, Array]:
        """The local rotations (R, F, 4) and translations (T, F, 3) of the channels."""
        turning = np.ascontiguousarray(self.motion.rotations[:, self.turning].swapaxes(0, 1))
        places = [self.motion.translation_of(int(joint)) for joint in self.sliding]
        return turning, np.array(places).reshape(len(places), len(self.motion), 3)

    def far(self, pose: Pose) -> Array:
        """How much of the bounds (F, J) a pose takes; 1 is all."""
        moved = (
            displacements(self.skeleton, self._reach, self.rotations, pose.shifts, pose.turns) / self._bound
        )
        turned = np.linalg.norm(pose.turns, axis=-1) / self.max_turn
        return np.maximum(moved, turned)

    def blamed(self, pose: Pose, bad: Mask) -> Mask:
        """The channels (C, F) above joints that are too far (F, J), and that have a large part in it."""
        off = np.concatenate([pose.turns[:, self.turning], pose.shifts[:, self.sliding]], axis=1)
        part = np.linalg.norm(off, axis=-1) / self.allowed.T
        part = np.where(bad @ self._below[:, self.joints] > 0, part, 0.0)
        return ((part > 0) & (part >= _BLAMED * part.max(axis=1, keepdims=True))).T
