"""Goals in batches that are solved each by itself: no frame of one counts in another."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from .goals import Goal, blend_frames

# A bound for memory; a single stretch may be longer. Trial: with 4,000 as quick, with 2,000 a third slower,
# with 1,000 twice as slow (goals_table.py, 72,000 frames).
_MAX_FRAMES = 8000


def goal_batches(goals: Iterable[Goal], rate: float) -> Iterator[tuple[Goal, ...]]:
    """The goals in groups, each in the order of time.

    Goals whose frames meet, those in which they only set in or fade among them, are a stretch and stay
    together. Stretches of the same pairs of parts are joined: the same joints move in them, and all their
    frames are worked on at once.
    """
    waiting: dict[frozenset[tuple[str, str, str]], tuple[list[Goal], int]] = {}
    for stretch in _stretches(goals, blend_frames(rate)):
        pairs = frozenset((goal.kind, goal.part, goal.on) for goal in stretch)
        frames = max(goal.stop for goal in stretch) - stretch[0].start + 2 * blend_frames(rate)
        before, count = waiting.get(pairs, ([], 0))
        if before and count + frames > _MAX_FRAMES:
            yield tuple(before)
            before, count = [], 0
        waiting[pairs] = [*before, *stretch], count + frames
    for some, _ in waiting.values():
        yield tuple(some)


def _stretches(goals: Iterable[Goal], blend: int) -> Iterator[list[Goal]]:
    """The goals by stretches, both in the order of time."""
    stretch: list[Goal] = []
    end = 0
    for goal in sorted(goals, key=lambda one: one.start):
        if stretch and goal.start - blend > end:
            yield stretch
            stretch = []
        end = max(end, goal.stop + blend) if stretch else goal.stop + blend
        stretch.append(goal)
    if stretch:
        yield stretch
