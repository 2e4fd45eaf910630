"""An end of a clip that goes over into a loop: the start of a gait into its cycle, the cycle into the stop.

The clip's last frames are cross-faded with the loop's own last ones, which are its first again, so that pose,
speed and acceleration are the loop's where they meet, and its root track with the loop's, so that the body
goes on as fast and with the same heading. What standing feet slide by that is taken back where they are in
the air. The clip's start is its end, played backwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Index, Mask
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..clip.chain import mix
from ..clip.clouds import main_joints, positions_at
from ..clip.root_motion import RootMotion, put_root_at_rest, with_root_motion
from ..feet.contacts import Contacts
from ..feet.leg_ik import place_ankles
from ..feet.soles import foot_points
from ..maths import quat
from ..maths.easing import minimum_jerk, smoothstep
from ..maths.series import runs


@dataclass(frozen=True)
class Moved:
    """A motion of F frames on its root track, and its contacts.

    Attributes:
        motion: in the world: with all of its root motion.
        root_motion: (F,) its track.
        contacts: (F,) when its feet stand still.
        touches: (F,) as they were found, before pinning dropped those that cannot stand.
    """

    motion: Motion
    root_motion: RootMotion
    contacts: Contacts
    touches: Contacts

    @property
    def backwards(self) -> Moved:
        """The same from its end to its start."""
        frames = np.arange(len(self.motion))[::-1]
        track = self.root_motion
        return Moved(
            _at_frames(self.motion, frames),
            RootMotion(track.rate, track.position[frames], track.heading[frames]),
            self.contacts.at_frames(frames),
            self.touches.at_frames(frames),
        )


def lead_into(clip: Moved, loop: Moved, body: BodyMap, frames: int, blend: int) -> Moved:
    """A clip whose last frame is the loop's: its pose beside its root track, its speed and its heading.

    Args:
        clip: its last pose is nearly the loop's.
        loop: closed.
        body: of both.
        frames: in how many of the last frames the clip goes over into the loop.
        blend: in how many frames a foot that stands elsewhere in the loop is shifted to there.

    Raises:
        InputError: other joints or another rate.
    """
    if clip.motion.skeleton.names != loop.motion.skeleton.names or clip.motion.rate != loop.motion.rate:
        raise InputError("a clip and the loop that it leads into must have the same joints and rate")
    count, over = len(clip.motion), min(frames, len(clip.motion) - 1, len(loop.motion) - 1)
    ahead = np.maximum(
        np.arange(count) - count + len(loop.motion), 0
    )  # the loop's frames, its last at the end
    laid = _lay_onto(loop, clip.motion, body)
    part = minimum_jerk(np.clip((np.arange(count) - (count - 1 - over)) / max(over, 1), 0.0, 1.0))
    part[-1] = 1.0
    motion = mix(put_root_at_rest(clip.motion, body), _at_frames(laid.motion, ahead), part)
    track, other = clip.root_motion, laid.root_motion
    turn = other.heading[ahead] - track.heading
    turn -= 2 * np.pi * np.round(turn[-1] / (2 * np.pi))
    root_motion = RootMotion(
        track.rate,
        track.position + part[:, None] * (other.position[ahead] - track.position),
        track.heading + part * turn,
    )
    late = part > 0.5
    contacts, touches = (
        _choose(late, there.at_frames(ahead), here)
        for there, here in ((laid.contacts, clip.contacts), (laid.touches, clip.touches))
    )
    from_both = [foot_points(one, body) for one in (clip.motion, _at_frames(laid.motion, ahead))]
    return Moved(_hold_feet(motion, body, contacts, from_both, part, blend), root_motion, contacts, touches)


def follow_on(clip: Moved, loop: Moved, body: BodyMap, frames: int, blend: int) -> Moved:
    """A clip whose first frame is the loop's; as `lead_into`, at the other end.

    Where rise and fall are in its root track, they count from the clip's end, which no loop has yet moved.
    """
    track = clip.root_motion
    level = track.position - track.position[-1] * [0.0, 0.0, 1.0]
    clip = replace(clip, root_motion=RootMotion(track.rate, level, track.heading))
    return lead_into(clip.backwards, loop.backwards, body, frames, blend).backwards


def _lay_onto(loop: Moved, motion: Motion, body: BodyMap) -> Moved:
    """The loop turned and moved on the floor so that its last pose lies best on a motion's last one.

    Least squares over the main joints, which has a closed form in the floor's plane (clouds.py).
    """
    joints = main_joints(body)
    here, there = (
        positions_at(one, np.array([len(one) - 1]), joints)[0] @ np.array([1.0, 1.0j, 0.0])
        for one in (loop.motion, motion)
    )
    turn = float(np.angle(np.vdot(here - here.mean(), there - there.mean())))
    shift = there.mean() - here.mean() * np.exp(1j * turn)
    count = len(loop.motion)
    move = RootMotion(
        loop.motion.rate, np.tile([shift.real, shift.imag, 0.0], (count, 1)), np.full(count, turn)
    )
    track = loop.root_motion
    return Moved(
        put_root_at_rest(with_root_motion(loop.motion, move), body),
        RootMotion(
            track.rate,
            move.position + quat.rotate(quat.from_yaw(turn), track.position),
            track.heading + turn,
        ),
        loop.contacts,
        loop.touches,
    )


def _choose(mask: Mask, contacts: Contacts, others: Contacts) -> Contacts:
    """The contacts in frames of a mask (F,), and the others, on whose floor they are, elsewhere."""
    here = mask[:, None]
    return replace(
        others,
        heel=np.where(here, contacts.heel, others.heel),
        toe=np.where(here, contacts.toe, others.toe),
    )


def _hold_feet(
    motion: Motion, body: BodyMap, contacts: Contacts, from_both: Sequence[Array], part: Array, blend: int
) -> Motion:
    """A mixed motion whose standing feet slide no more than those of the two that it is mixed of.

    Their soles (F, K, 2, 3) stand in two places; going from one to the other, in parts (F,), is what a foot
    would slide. Each stands where it does at its contact's end, to which it moves within `blend` frames
    before it comes down; one that stands from the first frame on goes there all the while.
    """
    if not contacts.planted.any():
        return motion
    columns = [body.feet.index(foot) for foot in contacts.feet]
    mixed, own, their = (
        np.diff(points[:, columns, :, :2], axis=0) for points in (foot_points(motion, body), *from_both)
    )
    extra = mixed - own - ((part[1:] + part[:-1]) / 2)[:, None, None, None] * (their - own)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    stands = (planted[1:] & planted[:-1])[..., None]
    # Of heel and toe, where both stand, the mean: which of them is lower, in a flat foot, noise decides.
    steps = (extra * stands).sum(axis=2) / np.maximum(stands.sum(axis=2), 1)
    standing = stands.any(axis=(2, 3))
    goals = {}
    for k, foot in enumerate(contacts.feet):
        shift = np.zeros((len(motion), 3))
        slip = np.zeros((len(motion), 2))
        slip[1:] = np.cumsum(np.where(standing[:, k, None], steps[:, k], 0.0), axis=0)
        for start, stop in zip(*runs(standing[:, k]), strict=True):  # frames start to stop stand
            if part[start : stop + 1].any():
                shift[: stop + 1, :2] += _shift_of(slip, int(start), int(stop), blend)
        if shift.any():
            goals[foot] = joint_in_model(motion, body.require(foot))[1] + shift
    return place_ankles(motion, body, goals)


def _shift_of(slip: Array, start: int, stop: int, blend: int) -> Array:
    """The shift (stop + 1, 2) of a foot that stands in frames `start` to `stop`, 0 at the stop."""
    whole = slip[stop] - slip[start]
    out = np.zeros((stop + 1, 2))
    out[start:] = slip[stop] - slip[start : stop + 1]
    if start == 0:
        return out - np.linspace(1, 0, stop + 1)[:, None] * whole
    size = min(blend, start)
    out[start - size : start] = smoothstep(np.arange(size) / size)[:, None] * whole
    return out


def _at_frames(motion: Motion, frames: Index) -> Motion:
    """The motion's frames (N,) of whole numbers, in any order."""
    return replace(
        motion,
        rotations=motion.rotations[frames],
        root_translation=motion.root_translation[frames],
        translations={joint: track[frames] for joint, track in motion.translations.items()},
    )
