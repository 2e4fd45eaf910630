"""Events on a clip: when a foot comes down and when it leaves the floor."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from .contacts import Contacts


@dataclass(frozen=True)
class Mark:
    """Something that happens at one frame of a clip.

    Attributes:
        name: what and where: "leftFoot.down", "rightFoot.up".
        frame: 0-based, within the clip.
    """

    name: str
    frame: int


def foot_marks(contacts: Contacts, loop: bool) -> tuple[Mark, ...]:
    """When each foot comes down (its first planted frame) and up (its first frame after), in order of time.

    In a loop of F frames the last is the first again: frames are counted modulo F - 1, and a foot that is
    planted across the seam comes down once. Otherwise a foot that is planted in the first or the last frame
    has no mark there.
    """
    planted = contacts.planted
    frames = len(planted)
    if loop and frames > 1:
        planted = planted[:-1]
        before = np.roll(planted, 1, axis=0)
    else:
        before = np.concatenate([planted[:1], planted[:-1]])
    marks = [
        Mark(f"{foot}.{word}", int(frame))
        for k, foot in enumerate(contacts.feet)
        for word, change in (("down", planted & ~before), ("up", before & ~planted))
        for frame in np.flatnonzero(change[:, k])
    ]
    return tuple(sorted(marks, key=lambda mark: (mark.frame, mark.name)))
