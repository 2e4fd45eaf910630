"""Feet of a loop that stand, across its seam too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from .body_map import BodyMap
from .contacts import Contacts
from .errors import InputError
from .footlock import FootlockSettings, pin_feet
from .loop_close import CloseSettings, close_loop
from .motion import Motion
from .travel import TravelSettings, continued, find_travel, steady_travel, with_travel, without_travel

_CYCLES = 3  # the middle one has whole contacts on both sides of its seams


def repeated(loop: Motion, body: BodyMap, count: int) -> Motion:
    """A loop played `count` times on, each cycle starting where and as the one before ended.

    F frames become count * (F - 1) + 1: the last frame of a cycle is the first of the next.

    Raises:
        InputError: `count` is below 1, or the loop has fewer than two frames.
    """
    if count < 1 or len(loop) < 2:
        raise InputError(f"repeat: expected at least one cycle of two frames, got {count} of {len(loop)}")
    steady = steady_travel(find_travel(loop, body, TravelSettings()))
    still = without_travel(loop, steady)
    length = len(loop) - 1
    frames = np.append(np.tile(np.arange(length), count), length)
    chain = replace(
        still,
        rotations=still.rotations[frames],
        root_translation=still.root_translation[frames],
        translations={joint: track[frames] for joint, track in still.translations.items()},
    )
    return with_travel(chain, continued(steady, 0, (count - 1) * length))


def pin_loop(
    loop: Motion, body: BodyMap, contacts: Contacts, settings: FootlockSettings | None = None
) -> tuple[Motion, Contacts]:
    """A closed loop with its planted feet still, also where a contact goes on over the seam; it stays closed.

    The loop is pinned as the middle one of three cycles. Its way and turn stay.

    Args:
        loop: closed; its last frame is its first again.
        body: of its skeleton.
        contacts: of its F frames; the last frame counts as the first.
        settings: how feet are pinned.

    Raises:
        InputError: contacts of another length.
    """
    if len(contacts.heel) != len(loop):
        raise InputError(f"pin: contacts of {len(contacts.heel)} frames for a loop of {len(loop)}")
    length = len(loop) - 1
    if length < 2 or not contacts.planted.any():
        return loop, contacts
    frames = np.append(np.tile(np.arange(length), _CYCLES), 0)
    many = replace(contacts, heel=contacts.heel[frames], toe=contacts.toe[frames])
    pinned, kept = pin_feet(repeated(loop, body, _CYCLES), body, many, settings or FootlockSettings())
    middle = pinned.slice(length, 2 * length + 1)
    # Onto the loop's own place: the middle cycle starts where the first one ended.
    steady = steady_travel(find_travel(loop, body, TravelSettings()))
    one_on = continued(steady, 0, length)  # and the cycle after it
    here = replace(one_on, position=one_on.position[length:], heading=one_on.heading[length:])
    back = with_travel(without_travel(middle, here), steady)
    closed = close_loop(back, body, CloseSettings(spread="whole"), way=steady)
    heel, toe = (
        np.append(mask, mask[:1], axis=0)
        for mask in (kept.heel[length : 2 * length], kept.toe[length : 2 * length])
    )
    return closed, replace(kept, heel=heel, toe=toe)
