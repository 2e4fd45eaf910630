"""What a character plays of its own on joints that the body leaves free: jaw, eyes, ears, fingers, props."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import is_free
from ..body.motion import Motion
from ..body.skeleton import Skeleton

Played = Callable[[Array], Array]
"""Seconds (F,) of the take -> rotations (F, 4), or places (F, 3) in metres."""

_LEAST_TURN = 1e-9  # of 1 - |cosine| of half the angle from its rest: 0.005 degrees, which nobody sees


@dataclass(frozen=True)
class OwnJoints:
    """Joints that an animation of the character's moves, on the clock of a take.

    Attributes:
        animation: its name.
        turns: by joint, its local rotations.
        places: by joint, its local translations; most joints only turn.
    """

    animation: str
    turns: Mapping[int, Played]
    places: Mapping[int, Played]

    @property
    def joints(self) -> frozenset[int]:
        """All that it moves."""
        return frozenset((*self.turns, *self.places))


def play_own(motion: Motion, body: BodyMap, own: OwnJoints, take_wins: bool = False) -> Motion:
    """A fitted motion with what the character plays of its own on joints that the body leaves free.

    Joints of the body, and what carries them, stay the take's, and so do joints without a part that the fit
    moves, as twist bones. Jaw, eyes, fingers, tail and props are the character's, and with `take_wins` the
    take's where it moves them.
    """
    chosen = own_of(motion, body, own, take_wins)
    seconds = np.arange(len(motion)) / motion.rate
    out = motion.with_joints({joint: own.turns[joint](seconds) for joint in chosen if joint in own.turns})
    for joint in chosen:
        if joint in own.places:
            out = out.with_translation(joint, own.places[joint](seconds))
    return out


def own_of(motion: Motion, body: BodyMap, own: OwnJoints, take_wins: bool = False) -> tuple[int, ...]:
    """Which joints of a fitted motion play the character's own."""
    free = {joint for part, joint in body.joints.items() if is_free(part)}
    parents = motion.skeleton.path_to
    held = {above for joint in {*body.joints.values()} - free for above in parents(joint)}
    moved = _leaving_rest(motion)
    return tuple(
        joint
        for joint in sorted(own.joints - held)
        if joint not in moved or (joint in free and not take_wins)
    )


def rest_motion(skeleton: Skeleton) -> Motion:
    """One frame of a skeleton at rest."""
    return Motion(skeleton, 1.0, skeleton.rest_rotation[None], skeleton.rest_translation[:1])


def _leaving_rest(motion: Motion) -> frozenset[int]:
    """The joints that a motion turns or takes away from their rest."""
    cosine = np.abs(np.einsum("fjc,jc->fj", motion.rotations, motion.skeleton.rest_rotation))
    turned = np.flatnonzero((1 - cosine).max(axis=0) > _LEAST_TURN)
    return frozenset((*turned.tolist(), *motion.translations))
