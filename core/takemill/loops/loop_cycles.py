"""Whole cycles of a gait: between a loop's start and its end both feet come down."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask
from ..clip.events import foot_events
from ..feet.contacts import Contacts

CYCLES = (0, 1, 2, 4)
"""How many can be asked for; 0 for as few as repeat well."""

_MAX_OFF = 0.25  # of a stride, by which a loop's ends may be told too near: half of it would be half a cycle
_LEAST_STRIDES = 0.25  # of each foot in a range; with less, one of them stands (chosen by eye)


@dataclass(frozen=True)
class Steps:
    """How far each of two feet has come: strides (F + 1, 2), whole numbers where it comes down."""

    strides: Array

    @classmethod
    def of(cls, contacts: Contacts, first: int, stop: int) -> Steps | None:
        """The steps in frames [first, stop) of a take; None where not both feet step in them."""
        if len(contacts.feet) != 2:
            return None
        events = foot_events(contacts, loop=False)
        frames = np.arange(first, stop + 1)
        strides = []
        for k, foot in enumerate(contacts.feet):
            down = [one.frame for one in events if one.name == f"{foot}.down"]
            if len(down) < 2 and contacts.planted[0, k]:  # it came down before the take
                down.insert(0, 0)
            if not down:
                return None
            strides.append(_count_strides(np.array(down), frames))
        out = np.stack(strides, axis=-1)
        return cls(out) if (out[-1] - out[0] > _LEAST_STRIDES).all() else None

    def allow(self, start: Index, end: Index, cycles: int, slack: int = 0) -> Mask:
        """Whether frames `start` to `end` are a whole cycle of both feet or more, or `cycles` of them (...).

        Starts and ends are any that broadcast; up to `slack` frames are given away at either.
        """
        last = len(self.strides) - 1
        far, near = (
            self.strides[np.clip(end + more, 0, last)] - self.strides[np.clip(start - more, 0, last)]
            for more in (slack, -slack)
        )
        fits = far >= max(cycles, 1) - _MAX_OFF
        if cycles:
            fits &= near <= cycles + _MAX_OFF
        return np.asarray(fits.all(axis=-1))


def _count_strides(down: Index, frames: Index) -> Array:
    """(N,) strides at frames (N,) of a foot that comes down at some frames; up to one beyond the outer ones.

    A foot that comes down once has made no stride whose length is known: there it has made a whole one.
    """
    if len(down) == 1:
        return np.asarray((frames > down[0]).astype(np.float64))
    known = np.array([2 * down[0] - down[1], *down, 2 * down[-1] - down[-2]])
    return np.interp(frames, known, np.arange(len(known)))
