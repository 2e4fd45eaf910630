"""Takes whose path was thrown away, and how far a path that was found is off the true one."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from takemill.base.checks import Array
from takemill.body.motion import Motion

Loss = Literal["rotations only", "in place"]
LOSSES: tuple[Loss, ...] = ("rotations only", "in place")
_MIN_WAY_M = 0.3  # in a second: a body that goes less has no heading to speak of


def without_path(motion: Motion, loss: Loss) -> Motion:
    """A take as it arrives with rotations only (the root at one place), or in place (its height kept)."""
    path = np.tile(motion.root_translation[:1], (len(motion), 1))
    if loss == "in place":
        path[:, 2] = motion.root_translation[:, 2]
    return motion.with_translation(0, path)


@dataclass(frozen=True)
class PathError:
    """How far a path over a floor is off the true one.

    Attributes:
        length: of the path by the true length, less 1.
        heading_deg: of the way from start to end.
        second_deg: the same of the worst second, of those in which the body goes 0.3 m or more.
        end: distance between both ends, by the true length.
    """

    length: float
    heading_deg: float
    second_deg: float
    end: float


def path_error(found: Array, true: Array, rate: float) -> PathError:
    """The error of a found path (F, 2 or more) against the true one, both from their first frames."""
    found, true = ((path[:, :2] - path[0, :2]) for path in (found, true))
    lengths = [float(np.linalg.norm(np.diff(path, axis=0), axis=1).sum()) for path in (found, true)]
    second = round(rate)
    marks = np.arange(0, len(true), second)
    ways = [np.diff(path[marks], axis=0) for path in (found, true)]
    far = np.linalg.norm(ways[1], axis=1) >= _MIN_WAY_M
    return PathError(
        lengths[0] / lengths[1] - 1,
        float(_angle_deg(found[-1], true[-1])),
        float(_angle_deg(ways[0][far], ways[1][far]).max(initial=0.0)),
        float(np.linalg.norm(found[-1] - true[-1])) / lengths[1],
    )


def _angle_deg(a: Array, b: Array) -> Array:
    turned = (a[..., 0] + 1j * a[..., 1]) * (b[..., 0] - 1j * b[..., 1])
    return np.asarray(np.abs(np.degrees(np.angle(turned))))
