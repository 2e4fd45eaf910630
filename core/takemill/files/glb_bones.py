"""What a GLB plays, as bones in another program's axes play it: each moved from its own rest, in matrices."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array
from ..maths import quat

# From glTF's axes (+Y up) to Blender's (+Z up).
_Z_UP = np.array([[1.0, 0, 0, 0], [0, 0, -1, 0], [0, 1, 0, 0], [0, 0, 0, 1]])

# Of the cosine of the middle angle: with what single precision leaves of it, 1e-7, the others are wrong by
# 5e-6 then, or 0.005 mm at a metre.
_CLEAR = 0.02
_ROLLS = np.radians([0.0, 45.0, -45.0, 90.0, 20.0, -20.0, 65.0, -65.0])


@dataclass(frozen=True)
class Bones:
    """Bones that follow joints, parents first.

    Attributes:
        parents: of the bones, -1 for those at the top.
        rests: (B, 4, 4) of the bones at rest, in their armature's space.
        axes: (B, 4, 4) from a bone's own axes to those of its joint.
        place: (4, 4) of the armature in the world.
    """

    parents: Sequence[int]
    rests: Array
    axes: Array
    place: Array

    @staticmethod
    def of(parents: Sequence[int], rests: Array, poses: Array, joints: Array, place: Array) -> Bones:
        """Bones (B, 4, 4) at rest and as they are posed, where their joints are (B, 4, 4) in glTF's axes."""
        return Bones(parents, rests, np.linalg.inv(_Z_UP @ joints) @ place @ poses, place)

    def rolled(self, rolls: Array) -> Bones:
        """The same bones, each turned about its own Y axis by an angle (B,), radians."""
        turns = np.stack([_about_y(roll) for roll in rolls])
        return replace(self, rests=self.rests @ turns, axes=self.axes @ turns)

    def turns(self, joints: Array) -> Array:
        """How bones stand to their parents (F, B, 3, 3), those at the top to the armature."""
        posed = self._posed(joints)[..., :3, :3]
        posed = posed / np.linalg.norm(posed, axis=-2, keepdims=True)
        return np.stack(
            [
                posed[:, bone] if parent < 0 else posed[:, parent].swapaxes(-1, -2) @ posed[:, bone]
                for bone, parent in enumerate(self.parents)
            ],
            axis=1,
        )

    def bases(self, joints: Array) -> tuple[Array, Array, Array]:
        """How joints at (F, B, 4, 4) in glTF's axes move the bones from their rests.

        Returns:
            Locations (F, B, 3), rotations (F, B, 4) and scales (F, B, 3).
        """
        posed = self._posed(joints)
        own = np.empty_like(posed)
        for bone, parent in enumerate(self.parents):
            rest = self.rests[bone]
            if parent >= 0:
                rest = posed[:, parent] @ np.linalg.inv(self.rests[parent]) @ rest
            own[:, bone] = np.linalg.inv(rest) @ posed[:, bone]
        scales = np.linalg.norm(own[..., :3, :3], axis=-2)
        rotations = quat.continuous(quat.from_matrix(own[..., :3, :3] / scales[..., None, :]))
        return own[..., :3, 3], rotations, scales

    def _posed(self, joints: Array) -> Array:
        return np.linalg.inv(self.place) @ _Z_UP @ joints @ self.axes


def clear_rolls(turns: Array, parents: Sequence[int]) -> Array:
    """The angles (B,), radians, by which bones are to be rolled so that their Euler angles are well defined.

    Bones are as `Bones.turns` gives them (F, B, 3, 3). Where the middle one of three angles is near 90
    degrees, single precision, in which exporters work them out, loses the other two. A bone that stays clear
    of that is not rolled.
    """
    rolls = np.zeros(len(parents))
    for bone, parent in enumerate(parents):
        about_parent = _about_y(-rolls[parent])[:3, :3] if parent >= 0 else np.eye(3)
        lows = about_parent[2] @ turns[:, bone]  # (F, 3): the row that holds the sine of the middle angle
        cosines = [np.sqrt(np.maximum(1 - (lows @ _about_y(roll)[:3, 0]) ** 2, 0)).min() for roll in _ROLLS]
        good = next((k for k, cosine in enumerate(cosines) if cosine >= _CLEAR), int(np.argmax(cosines)))
        rolls[bone] = _ROLLS[good]
    return rolls


def _about_y(angle: float) -> Array:
    out = np.eye(4)
    out[[0, 2], [0, 2]] = np.cos(angle)
    out[0, 2], out[2, 0] = np.sin(angle), -np.sin(angle)
    return out
