"""Joints of a motion in model space, each by its own chain alone."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths import kinematics, quat
from .motion import Motion


def chain_in_model(motion: Motion, joint: int) -> tuple[tuple[int, ...], Array, Array]:
    """The N joints from the root to `joint`, and their model rotations (F, N, 4) and positions (F, N, 3)."""
    chain = motion.skeleton.path_to(joint)
    translations = np.stack([motion.translation_of(j) for j in chain], axis=1)
    rotations, positions = kinematics.model_from_local(
        range(-1, len(chain) - 1), motion.rotations[:, list(chain)], translations
    )
    return chain, rotations, positions


def joint_in_model(motion: Motion, joint: int) -> tuple[Array, Array]:
    """Rotation (F, 4) and position (F, 3), metres, of one joint in model space: its chain only."""
    _, rotations, positions = chain_in_model(motion, joint)
    return rotations[:, -1], positions[:, -1]


class Posed:
    """Joints of one motion in model space, each found when it is first asked for, and kept."""

    def __init__(self, motion: Motion) -> None:
        self.motion = motion
        self._found: dict[int, tuple[Array, Array]] = {}

    def at(self, joint: int) -> tuple[Array, Array]:
        """Rotation (F, 4) and position (F, 3), metres, of a joint in model space."""
        motion = self.motion
        for one in motion.skeleton.path_to(joint):
            if one in self._found:
                continue
            local, offset = motion.rotations[:, one], motion.translation_of(one)
            parent = motion.skeleton.parents[one]
            if parent < 0:
                self._found[one] = np.ascontiguousarray(local), offset
            else:
                turned, place = self._found[parent]
                self._found[one] = quat.mul(turned, local), place + quat.rotate(turned, offset)
        return self._found[joint]
