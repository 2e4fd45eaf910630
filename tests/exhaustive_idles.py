"""The slow twins of an idle's order: every closed chain of parts, none left out."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from takemill.base.checks import Array, Index

Parts = tuple[tuple[int, int], ...]


def chains(cost: Array, stretch: Index, steps: int, shortest: int) -> Iterator[Parts]:
    """Every closed chain of parts (first, last) that lasts just so long; those that begin elsewhere too."""
    count = len(stretch)

    def grow(parts: Parts, place: int, time: int) -> Iterator[Parts]:
        for last in range(place + shortest, count):
            if stretch[last] != stretch[place] or time + last - place > steps:
                break
            so_far, now = (*parts, (place, last)), time + last - place
            if now == steps and np.isfinite(cost[last, so_far[0][0]]):
                yield so_far
            if now + shortest <= steps:
                for entry in np.flatnonzero(np.isfinite(cost[last])):
                    yield from grow(so_far, int(entry), now)

    for start in range(count):
        yield from grow((), start, 0)


def worst_of(parts: Parts, cost: Array) -> float:
    """The cost of a chain's worst join."""
    return max(float(cost[last, parts[(k + 1) % len(parts)][0]]) for k, (_, last) in enumerate(parts))


def sum_of(parts: Parts, price: Array) -> float:
    """What all joins of a chain cost."""
    return sum(float(price[last, parts[(k + 1) % len(parts)][0]]) for k, (_, last) in enumerate(parts))


def repeats_after(parts: Parts) -> int:
    """The fewest steps between two times that one place plays, around the loop too."""
    played = [place for first, last in parts for place in range(first, last)]
    least = len(played)
    for place in set(played):
        times = [k for k, one in enumerate(played) if one == place]
        around = [*times[1:], times[0] + len(played)]
        least = min(least, *(b - a for a, b in zip(times, around, strict=True)))
    return least


def problem(seed: int) -> tuple[Array, Index]:
    """Costs between the places of two stretches, smooth along both; near places do not join."""
    rng = np.random.default_rng(seed)
    stretch = np.repeat([0, 1], [9, 7])
    ways = np.cumsum(rng.standard_normal((16, 3)), axis=0)
    cost = np.linalg.norm(ways[:, None] - ways, axis=-1) + 0.01
    near = (stretch[:, None] == stretch) & (np.abs(np.arange(16)[:, None] - np.arange(16)) < 3)
    return np.where(near, np.inf, cost), stretch
