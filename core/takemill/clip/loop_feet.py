"""Feet of a loop that stand, across its seam too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.contacts import Contacts
from ..feet.leg_ik import place_ankles
from ..feet.pin import PinSettings, pin_feet
from ..feet.soles import foot_points
from ..maths.easing import smoothstep
from ..maths.series import runs
from .loop_close import close_loop
from .measure import planted_steps
from .root_motion import (
    RootMotionSettings,
    continued,
    find_root_motion,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)

_SLOW = 0.4  # leg lengths per second; faster, a foot that counts as planted still lands or leaves
_SLIDES = 0.8  # leg lengths per second: what moves so fast while it counts as planted does not stand
_STILL_M_S = 0.003
_CYCLES = 3  # the middle one has whole contacts on both sides of its seams


def repeated(loop: Motion, body: BodyMap, count: int) -> Motion:
    """A loop played `count` times on, each cycle starting where and as the one before ended.

    F frames become count * (F - 1) + 1: the last frame of a cycle is the first of the next.

    Raises:
        InputError: `count` is below 1, or the loop has fewer than two frames.
    """
    if count < 1 or len(loop) < 2:
        raise InputError(f"repeat: expected at least one cycle of two frames, got {count} of {len(loop)}")
    steady = steady_root_motion(find_root_motion(loop, body, RootMotionSettings()))
    still = without_root_motion(loop, steady)
    length = len(loop) - 1
    frames = np.append(np.tile(np.arange(length), count), length)
    chain = replace(
        still,
        rotations=still.rotations[frames],
        root_translation=still.root_translation[frames],
        translations={joint: track[frames] for joint, track in still.translations.items()},
    )
    return with_root_motion(chain, continued(steady, 0, (count - 1) * length))


def pin_loop(
    loop: Motion, body: BodyMap, contacts: Contacts, settings: PinSettings | None = None
) -> tuple[Motion, Contacts]:
    """A closed loop with its planted feet still, also where a contact goes on over the seam; it stays closed.

    The loop is pinned as the middle one of three cycles, then held: what a foot still slips as it rolls,
    lands or leaves is taken out, and given back in the air. Its way and turn stay.

    Args:
        loop: closed; its last frame is its first again.
        body: of its skeleton.
        contacts: of its F frames; the last frame counts as the first.
        settings: how feet are pinned.

    Returns:
        The loop, and the contacts (F) that stand: of those given all that are slow enough to be held.

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
    settings, cycles = settings or PinSettings(), repeated(loop, body, _CYCLES)
    many = _no_slides(cycles, body, many)
    pinned, kept = pin_feet(cycles, body, many, settings)
    pinned, kept = _held(pinned, body, many, kept, max(round(settings.blend_s * loop.rate), 1))
    # Onto the loop's own place: the middle cycle starts where the first one ended.
    steady = steady_root_motion(find_root_motion(loop, body, RootMotionSettings()))
    back = with_root_motion(
        without_root_motion(pinned, continued(steady, 0, (_CYCLES - 1) * length)),
        continued(steady, length, (_CYCLES - 2) * length),
    )
    closed = close_loop(
        back.slice(length, 2 * length + 1),
        body,
        before=back.slice(0, length),
        after=back.slice(2 * length + 1, len(back)),
        way=steady,
    )
    heel, toe = (
        np.append(mask, mask[:1], axis=0)
        for mask in (kept.heel[length : 2 * length], kept.toe[length : 2 * length])
    )
    return closed, replace(kept, heel=heel, toe=toe)


def _no_slides(motion: Motion, body: BodyMap, contacts: Contacts) -> Contacts:
    """The contacts without frames in which the foot slides too fast to stand, as in a roll over the floor."""
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    columns = [body.feet.index(foot) for foot in contacts.feet]
    steps, stands = planted_steps(foot_points(motion, body)[:, columns], planted)
    fast = np.linalg.norm(steps, axis=-1) * motion.rate > _SLIDES * leg_length(motion.skeleton, body)
    keep = np.ones_like(contacts.planted)
    keep[1:] &= ~(stands & fast)
    keep[:-1] &= ~(stands & fast)
    return replace(contacts, heel=contacts.heel & keep, toe=contacts.toe & keep)


def _held(
    motion: Motion, body: BodyMap, found: Contacts, pinned: Contacts, blend: int
) -> tuple[Motion, Contacts]:
    """The motion with what its standing feet still slip taken out; it comes back within `blend` frames.

    Held are the contacts that were pinned, and what was found beside them where the foot is slow. Where a leg
    cannot reach, it is not held.
    """
    columns = [body.feet.index(foot) for foot in found.feet]
    points = foot_points(motion, body)[:, columns]
    steps, stands = planted_steps(points, np.stack([found.heel, found.toe], axis=-1))
    slow = np.linalg.norm(steps, axis=-1) * motion.rate < _SLOW * leg_length(motion.skeleton, body)
    rests = stands & (slow | (pinned.planted[1:] & pinned.planted[:-1]))
    near = np.zeros_like(found.planted)
    near[1:] |= rests
    near[:-1] |= rests
    planted = np.stack([found.heel, found.toe], axis=-1) & near[..., None]
    steps, stands = planted_steps(points, planted)
    goals = {}
    for k, foot in enumerate(found.feet):
        slip = np.zeros((len(motion), 2))
        slip[1:] = np.cumsum(np.where(stands[:, k, None], steps[:, k], 0.0), axis=0)
        shift = np.zeros((len(motion), 3))
        if stands[:, k].all():  # it never leaves the floor: only what comes back by itself can go
            shift[:, :2] = np.linspace(0, 1, len(motion))[:, None] * slip[-1] - slip
        else:
            shift[:, :2] = _given_back(slip, *runs(stands[:, k]), blend)
        if shift.any():
            goals[foot] = joint_in_model(motion, body.require(foot))[1] + shift
    held = place_ankles(motion, body, goals)
    steps, stands = planted_steps(foot_points(held, body)[:, columns], planted)
    slips = stands & (np.linalg.norm(steps, axis=-1) * motion.rate > _STILL_M_S)
    near[1:] &= ~slips
    return held, replace(found, heel=found.heel & near, toe=found.toe & near)


def _given_back(slip: Array, starts: Index, stops: Index, blend: int) -> Array:
    """Against the slip (F, 2) of each stand, from 0 at its start; after its stop it dies out."""
    shift = np.zeros_like(slip)
    for start, stop, following in zip(starts, stops, np.append(starts, len(slip))[1:], strict=True):
        shift[start : stop + 1] = slip[start] - slip[start : stop + 1]
        size = min(blend, following - stop)
        fade = np.linspace(1, 0, size + 1)[1:size, None]
        shift[stop + 1 : stop + size] = smoothstep(fade) * shift[stop]
    return shift
