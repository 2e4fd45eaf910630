"""Where rays leave capsules, beside a search along each ray."""

from __future__ import annotations

import numpy as np

from takemill.base.checks import Array
from takemill.maths.ray_exit import ray_exit


def inside(points: Array, a: Array, b: Array, radius: Array) -> Array:
    """Whether points (N, 3) lie in any capsule, by the distance to its segment."""
    line = b - a
    squared = np.maximum((line**2).sum(axis=-1), 1e-12)
    part = np.clip(((points[:, None] - a) * line).sum(axis=-1) / squared, 0, 1)
    away = points[:, None] - a - part[..., None] * line
    return np.asarray((np.linalg.norm(away, axis=-1) < radius).any(axis=1))


def test_a_ray_leaves_the_last_capsule_where_a_walk_along_it_does() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(size=(2, 5, 3)) * 0.3
    b[0] = a[0]  # a sphere
    radius = rng.uniform(0.05, 0.3, 5)
    origin = rng.normal(size=(60, 3)) * 0.4
    way = rng.normal(size=(60, 3))
    way[0] = b[1] - a[1]  # along a segment
    way /= np.linalg.norm(way, axis=-1, keepdims=True)
    steps = np.linspace(0, 4, 20_001)
    slow = np.zeros(60)
    for k, far in enumerate(steps):
        slow = np.where(inside(origin + far * way, a, b, radius), steps[k], slow)
    np.testing.assert_allclose(ray_exit(origin, way, a, b, radius), slow, atol=2.1e-4)


def test_a_ray_that_meets_nothing_leaves_at_once() -> None:
    far = ray_exit(np.zeros(3), np.array([[0.0, 0.0, 1.0]]), np.array([[1.0, 0, 0]]), np.array([[2.0, 0, 0]]),
                   np.array([0.5]))  # fmt: skip
    np.testing.assert_array_equal(far, [0.0])
