"""Shapes that several overlays draw, as strokes."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from takemill.base.checks import Array

from .strokes import Stroke, lines


def arrow(
    start: ArrayLike, tip: ArrayLike, colour: ArrayLike, width_px: float, share: float, space: str
) -> Stroke:
    """A level arrow between two points (3,), whose head takes a share of its length."""
    return lines(arrow_lines(start, tip, share), colour, width_px, space)


def arrow_lines(start: ArrayLike, tip: ArrayLike, share: float) -> Array:
    """The lines (..., 3, 2, 3) of level arrows between points (..., 3); heads take a share of the length."""
    start, tip = np.asarray(start, float), np.asarray(tip, float)
    back = share * (start - tip)
    aside = 0.5 * np.stack([back[..., 1], -back[..., 0], np.zeros_like(back[..., 0])], axis=-1)  # level
    left, right = tip + back + aside, tip + back - aside
    points = np.stack([start, tip, tip, left, tip, right], axis=-2)
    return points.reshape(*points.shape[:-2], 3, 2, 3)


def facing(heading: ArrayLike) -> Array:
    """Where a body faces (..., 3) by its heading (...), radians: 0 is -Y, counter-clockwise from above."""
    heading = np.asarray(heading, float)
    return np.stack([np.sin(heading), -np.cos(heading), np.zeros_like(heading)], axis=-1)


def grid(centre: ArrayLike, half_m: float, step_m: float) -> Array:
    """Level lines (N, 2, 3) of a square grid about a point (3,)."""
    at = np.arange(-half_m, half_m + step_m / 2, step_m)
    near, far = np.full_like(at, -half_m), np.full_like(at, half_m)
    level = np.zeros_like(at)
    along = np.stack([np.stack([at, near, level], -1), np.stack([at, far, level], -1)], axis=1)
    across = along[..., [1, 0, 2]]
    return np.concatenate([along, across]) + np.asarray(centre, float)


def square(centre: ArrayLike, half_m: float) -> Array:
    """The two triangles (2, 3, 3) of a level square about a point (3,)."""
    x, y, z = np.asarray(centre, float)
    corners = np.array([[x + a * half_m, y + b * half_m, z] for a, b in ((-1, -1), (1, -1), (1, 1), (-1, 1))])
    return corners[[[0, 1, 2], [0, 2, 3]]]
