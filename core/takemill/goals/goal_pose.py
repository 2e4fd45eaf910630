"""Some joints of a motion in model space, at some frames: turned, moved, and written into the motion."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from copy import copy

import numpy as np

from ..base.checks import Array, Index
from ..body.motion import Motion
from ..maths import quat


class GoalPose:
    """N frames of some joints, and of all above them.

    Attributes:
        joints: those, parents before children.
        turned: joint -> (N, 4) in model space.
        at: joint -> (N, 3) in model space, metres.
    """

    def __init__(self, motion: Motion, joints: Iterable[int], frames: Index | slice) -> None:
        skeleton = motion.skeleton
        self.motion, self.frames = motion, frames
        self.joints = sorted({above for joint in joints for above in skeleton.path_to(joint)})
        self.turned: dict[int, Array] = {}
        self.at: dict[int, Array] = {}
        self._changed: set[int] = set()
        self._moved: set[int] = set()
        self._below: dict[int, list[int]] = {}
        for joint in self.joints:
            self._pose(joint)

    def __len__(self) -> int:
        return len(self.at[self.joints[0]])

    def _pose(self, joint: int) -> None:
        """Put a joint where its own rotation and translation have it, on its parent as it is."""
        parent = self.motion.skeleton.parents[joint]
        rotation, place = self._own(joint)
        if parent < 0:
            self.turned[joint] = rotation
            self.at[joint] = np.broadcast_to(place, (len(rotation), 3))
        else:
            self.turned[joint] = quat.mul(self.turned[parent], rotation)
            self.at[joint] = self.at[parent] + quat.rotate(self.turned[parent], place)

    def _own(self, joint: int) -> tuple[Array, Array]:
        """A joint's rotation (N, 4) and translation (N, 3) or (1, 3) in the motion."""
        rotation = quat.planes(self.motion.rotations[self.frames, joint])
        place = self.motion.translation_of(joint)
        return rotation, place[:1] if place.strides[0] == 0 else quat.planes(place[self.frames])

    def at_rows(self, rows: Index, joints: Iterable[int]) -> GoalPose:
        """Some of the pose's frames (M,) of some joints, to look at."""
        out = object.__new__(GoalPose)
        out.joints = list(joints)
        whole = len(rows) == len(self)
        for name in ("turned", "at"):
            mine = getattr(self, name)
            setattr(
                out,
                name,
                {joint: mine[joint] if whole else at_rows(mine[joint], rows) for joint in out.joints},
            )
        return out

    def cut(self, rows: Index) -> GoalPose:
        """Those frames `rows` (M,) alone, to be changed; `put` takes them back."""
        out = copy(self)
        out.frames = self.frames[rows] if isinstance(self.frames, np.ndarray) else rows
        out.turned = {joint: at_rows(one, rows) for joint, one in self.turned.items()}
        out.at = {joint: at_rows(one, rows) for joint, one in self.at.items()}
        return out

    def put(self, rows: Index, part: GoalPose) -> None:
        """Take back a part of the frames, `rows` (M,), that was changed."""
        for joint in {below for one in part._changed for below in self.below(one)}:
            self.turned[joint] = _replaced(self.turned[joint], part.turned[joint], rows)
            self.at[joint] = _replaced(self.at[joint], part.at[joint], rows)

    def below(self, joint: int) -> list[int]:
        """A joint, and those of the pose that hang on it."""
        if joint not in self._below:
            inside = set(self.motion.skeleton.subtree(joint).tolist())
            self._below[joint] = [one for one in self.joints if one in inside]
        return self._below[joint]

    def restore(self, joint: int) -> None:
        """Take back what was changed at a joint and below, on its parent as it is."""
        for one in self.below(joint):
            self._pose(one)

    def turn(self, joint: int, turn: Array, rows: Index | None = None) -> None:
        """Turn a joint, and all that hangs on it, by (N, 4) in model space; only in some frames if given."""
        pivot = at_rows(self.at[joint], rows)
        for one in self.below(joint):
            turned = quat.mul(turn, at_rows(self.turned[one], rows))
            self.turned[one] = _replaced(self.turned[one], turned, rows)
            if one != joint:
                place = pivot + quat.rotate(turn, at_rows(self.at[one], rows) - pivot)
                self.at[one] = _replaced(self.at[one], place, rows)
        self._changed.add(joint)

    def set_turned(self, joint: int, turned: Array) -> None:
        """Give a joint a rotation (N, 4) in model space."""
        self.turn(joint, quat.mul(turned, quat.inv(self.turned[joint])))

    def move(self, joint: int, step: Array) -> None:
        """Move a joint, and all that hangs on it, by (N, 3)."""
        for one in self.below(joint):
            self.at[one] = self.at[one] + step
        self._moved.add(joint)

    def point(self, joint: int, offset: Array) -> Array:
        """Where points (..., 3) in a joint's space are (N, 3)."""
        return self.at[joint] + quat.rotate(self.turned[joint], offset)

    def written(self) -> Motion:
        """The motion with what was changed, at the pose's frames."""
        draft = Draft(self.motion)
        draft.write(self)
        return draft.motion()

    def changes(self) -> Iterator[tuple[int, Array]]:
        """The joints that were turned, and their local rotations (N, 4)."""
        for joint in sorted(self._changed):
            above = self.motion.skeleton.parents[joint]
            local = self.turned[joint]
            if above >= 0:
                local = quat.mul(quat.inv(self.turned[above]), local)
            yield joint, quat.normalize(local)

    def moves(self) -> Iterator[tuple[int, Array]]:
        """The joints that were moved, and their local translations (N, 3)."""
        for joint in sorted(self._moved):
            above = self.motion.skeleton.parents[joint]
            place = self.at[joint]
            if above >= 0:
                place = quat.rotate(quat.inv(self.turned[above]), place - self.at[above])
            yield joint, place


class Draft:
    """A motion that poses of some of its frames are written into."""

    def __init__(self, motion: Motion) -> None:
        self._old, self._turned = motion, set[int]()
        self._rotations = motion.rotations.copy()
        self._tracks: dict[int, Array] = {0: motion.root_translation, **motion.translations}
        self._moved = set[int]()

    def write(self, pose: GoalPose) -> None:
        """Take over what was changed in a pose of the motion, at its frames."""
        for joint, local in pose.changes():
            self._rotations[pose.frames, joint] = local
            self._turned.add(joint)
        for joint, place in pose.moves():
            if joint not in self._moved:
                self._tracks[joint] = np.array(self._old.translation_of(joint))
                self._moved.add(joint)
            self._tracks[joint][pose.frames] = place

    def so_far(self) -> Motion:
        """The motion to pose, in which rotations are as they are written by then, and later ones as well."""
        old = self._old
        tracks = old.root_translation, old.translations
        return Motion.trusted(old.skeleton, old.rate, self._rotations.view(), *tracks)

    def motion(self) -> Motion:
        """The motion as it was written; afterwards nothing more is."""
        for joint in self._turned:
            column = self._rotations[:, joint].copy()
            quat.make_continuous(column)
            self._rotations[:, joint] = column
        old, tracks = self._old, self._tracks
        root = np.array(tracks.pop(0))
        return Motion.trusted(old.skeleton, old.rate, self._rotations, root, tracks)


def at_rows(values: Array, rows: Index | None) -> Array:
    """Values (N, K) at some rows (M,), component by component in memory; all where no rows are given."""
    return values if rows is None else values.T.take(rows, axis=1).T


def _replaced(values: Array, others: Array, rows: Index | None) -> Array:
    """Values (N, ...) with others at some rows; the others where no rows are given."""
    if rows is None:
        return others
    out = values.copy("K")
    for k in range(values.shape[1]):
        out[:, k][rows] = others[:, k]
    return out
