"""Feet of a loop that stand, across its seam too."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..clip.measure import planted_steps
from ..clip.root_motion import (
    RootMotionSettings,
    extend_steady,
    find_root_motion,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)
from ..feet.contacts import Contacts
from ..feet.leg_ik import place_ankles
from ..feet.pin import PinSettings, pin_feet
from ..feet.soles import foot_points
from ..maths.easing import smoothstep
from ..maths.series import runs
from .loop_close import close_loop

# The three speeds were chosen by eye.
_MAX_HELD_SPEED_LEGS_S = 0.4  # faster, a foot that counts as planted still lands or leaves
_MIN_SLIDE_SPEED_LEGS_S = 0.8  # a foot that moves so fast does not stand, though it counts as planted
_MAX_HELD_SLIP_M_S = 0.003  # faster, a foot is not called held: its leg could not reach
_CYCLES = 3  # are pinned in a row: the middle one has whole contacts on both sides of its seams


def repeat_loop(loop: Motion, body: BodyMap, count: int) -> Motion:
    """A loop played `count` times on, each cycle starting where and as the one before ended.

    F frames become count * (F - 1) + 1: the last frame of a cycle is the first of the next.

    Raises:
        InputError: `count` is below 1, or the loop has fewer than two frames.
    """
    if count < 1 or len(loop) < 2:
        raise InputError(f"repeat: expected at least one cycle of two frames, got {count} of {len(loop)}")
    steady = steady_root_motion(find_root_motion(loop, body, RootMotionSettings()))
    in_place = without_root_motion(loop, steady)
    length = len(loop) - 1
    frames = np.append(np.tile(np.arange(length), count), length)
    chain = replace(
        in_place,
        rotations=in_place.rotations[frames],
        root_translation=in_place.root_translation[frames],
        translations={joint: track[frames] for joint, track in in_place.translations.items()},
    )
    return with_root_motion(chain, extend_steady(steady, 0, (count - 1) * length))


def pin_loop(
    loop: Motion, body: BodyMap, contacts: Contacts, settings: PinSettings | None = None
) -> tuple[Motion, Contacts]:
    """A closed loop with its planted feet still, also where a contact goes on over the seam; it stays closed.

    The loop is pinned as the middle one of three cycles. Then its feet are held: what a foot still slips as
    it rolls, lands or leaves is removed, and returned while it is in the air. Path and turn of the loop stay.

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
    many = contacts.at_frames(frames)
    settings, cycles = settings or PinSettings(), repeat_loop(loop, body, _CYCLES)
    many = _drop_slides(cycles, body, many)
    pinned, kept = pin_feet(cycles, body, many, settings)
    pinned, kept = _hold_feet(pinned, body, many, kept, max(round(settings.blend_s * loop.rate), 1))
    # Onto the loop's own place: the middle cycle starts where the first one ended.
    steady = steady_root_motion(find_root_motion(loop, body, RootMotionSettings()))
    back = with_root_motion(
        without_root_motion(pinned, extend_steady(steady, 0, (_CYCLES - 1) * length)),
        extend_steady(steady, length, (_CYCLES - 2) * length),
    )
    closed = close_loop(
        back.slice(length, 2 * length + 1),
        body,
        before=back.slice(0, length),
        after=back.slice(2 * length + 1, len(back)),
        root_motion=steady,
    )
    return closed, kept.at_frames(np.append(np.arange(length, 2 * length), length))


def _drop_slides(motion: Motion, body: BodyMap, contacts: Contacts) -> Contacts:
    """The contacts without frames in which the foot slides too fast to stand, as in a roll over the floor."""
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    columns = [body.feet.index(foot) for foot in contacts.feet]
    steps, standing = planted_steps(foot_points(motion, body)[:, columns], planted)
    fast = np.linalg.norm(steps, axis=-1) * motion.rate > _MIN_SLIDE_SPEED_LEGS_S * leg_length(
        motion.skeleton, body
    )
    keep = np.ones_like(contacts.planted)
    keep[1:] &= ~(standing & fast)
    keep[:-1] &= ~(standing & fast)
    return replace(contacts, heel=contacts.heel & keep, toe=contacts.toe & keep)


def _hold_feet(
    motion: Motion, body: BodyMap, found: Contacts, pinned: Contacts, blend: int
) -> tuple[Motion, Contacts]:
    """The motion without what its standing feet still slip; each slip is returned within `blend` frames.

    Held are the contacts that were pinned, and what was found beside them where the foot is slow. Where a leg
    cannot reach, its foot is not held.
    """
    columns = [body.feet.index(foot) for foot in found.feet]
    points = foot_points(motion, body)[:, columns]
    steps, standing = planted_steps(points, np.stack([found.heel, found.toe], axis=-1))
    slow = np.linalg.norm(steps, axis=-1) * motion.rate < _MAX_HELD_SPEED_LEGS_S * leg_length(
        motion.skeleton, body
    )
    rests = standing & (slow | (pinned.planted[1:] & pinned.planted[:-1]))
    near = np.zeros_like(found.planted)
    near[1:] |= rests
    near[:-1] |= rests
    planted = np.stack([found.heel, found.toe], axis=-1) & near[..., None]
    steps, standing = planted_steps(points, planted)
    goals = {}
    for k, foot in enumerate(found.feet):
        slip = np.zeros((len(motion), 2))
        slip[1:] = np.cumsum(np.where(standing[:, k, None], steps[:, k], 0.0), axis=0)
        shift = np.zeros((len(motion), 3))
        if standing[:, k].all():  # it never leaves the floor: what it slips in all must stay
            shift[:, :2] = np.linspace(0, 1, len(motion))[:, None] * slip[-1] - slip
        else:
            shift[:, :2] = _return_slip(slip, *runs(standing[:, k]), blend)
        if shift.any():
            goals[foot] = joint_in_model(motion, body.require(foot))[1] + shift
    held = place_ankles(motion, body, goals)
    steps, standing = planted_steps(foot_points(held, body)[:, columns], planted)
    slips = standing & (np.linalg.norm(steps, axis=-1) * motion.rate > _MAX_HELD_SLIP_M_S)
    near[1:] &= ~slips
    return held, replace(found, heel=found.heel & near, toe=found.toe & near)


def _return_slip(slip: Array, starts: Index, stops: Index, blend: int) -> Array:
    """Shifts (F, 2) against the slip (F, 2) of each stand, 0 at its start; after its stop they die out."""
    shift = np.zeros_like(slip)
    for start, stop, following in zip(starts, stops, np.append(starts, len(slip))[1:], strict=True):
        shift[start : stop + 1] = slip[start] - slip[start : stop + 1]
        size = min(blend, following - stop)
        fade = np.linspace(1, 0, size + 1)[1:size, None]
        shift[stop + 1 : stop + size] = smoothstep(fade) * shift[stop]
    return shift
