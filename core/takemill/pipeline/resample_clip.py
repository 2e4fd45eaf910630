"""A finished clip at another rate or speed: sampled anew, a loop still closed, planted feet pinned again."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from ..base.checks import Array, Mask
from ..base.errors import InputError
from ..clip.chain import mix
from ..clip.events import Event
from ..clip.root_motion import RootMotion, put_root_at_rest
from ..clip.root_motion_parts import split_root_motion
from ..feet.contacts import Contacts
from ..feet.pin import PinSettings, pin_feet
from ..loops.loop_feet import pin_loop
from ..maths import series
from ..maths.easing import smoothstep
from .finish_clip import FinishedClip

_SAME_RATE_TOLERANCE = 1e-4  # relative: 0.008333 s in a file, six decimals, are 120 frames a second


def resample_clip(clip: FinishedClip, rate: float | None = None) -> FinishedClip:
    """The clip at another rate; None is the rate that it was asked for with, if any, or its own.

    A loop stays closed, and feet that were pinned at the take's rate are pinned again: straight lines between
    its frames let them slide.

    Raises:
        InputError: fewer than two frames are left.
    """
    if rate is None and clip.asked is not None and clip.settings is not None:
        rate = clip.asked.rate or clip.settings.rate
    own = clip.motion.rate
    if rate is None or math.isclose(rate, own, rel_tol=_SAME_RATE_TOLERANCE):
        return clip if rate is None or rate == own else _relabel_rate(clip, rate)
    clip = _sample(clip, _new_frames(clip, own, rate), rate, rate / own)
    return _pin_again(clip) if clip.is_pinned else clip


def retime_clip(clip: FinishedClip, speed: float) -> FinishedClip:
    """The clip so many times as fast, at its own rate.

    Raises:
        InputError: fewer than two frames are left.
    """
    rate = clip.motion.rate
    clip = _sample(clip, _new_frames(clip, rate * speed, rate), rate, 1 / speed)
    return _pin_again(clip) if clip.is_pinned else clip


def _relabel_rate(clip: FinishedClip, rate: float) -> FinishedClip:
    """The same frames, said to be `rate` a second."""
    return replace(
        clip,
        motion=replace(clip.motion, rate=rate),
        root_motion=replace(clip.root_motion, rate=rate),
        contacts=replace(clip.contacts, rate=rate),
        touches=clip.touches and replace(clip.touches, rate=rate),
    )


def _new_frames(clip: FinishedClip, rate: float, new_rate: float) -> Array:
    """Where the new frames (N,) lie; both ends stay where they must meet another clip's or their own."""
    meets = clip.loop or clip.blend_frames > 0 or bool(clip.joins)
    frames = series.frames_at(len(clip.motion), rate, new_rate, meets)
    if len(frames) < 2:
        raise InputError(
            f"clip {clip.name!r}: {len(clip.motion)} frames would become fewer than two; lower its speed"
        )
    return frames


def _sample(clip: FinishedClip, frames: Array, rate: float, stretch: float) -> FinishedClip:
    """The clip's frames (N,), played at `rate`; a blend lasts `stretch` times as many frames as before."""
    track = np.concatenate([clip.root_motion.position, clip.root_motion.heading[:, None]], axis=1)
    track = series.sample_vectors(track, frames)
    return replace(
        clip,
        motion=clip.motion.sampled(frames, rate),
        root_motion=RootMotion(rate, track[:, :3], track[:, 3]),
        events=_move_events(clip, frames),
        contacts=clip.contacts.sampled(frames, rate),
        touches=clip.touches and clip.touches.sampled(frames, rate),
        blend_frames=round(clip.blend_frames * stretch),
    )


def _move_events(clip: FinishedClip, frames: Array) -> tuple[Event, ...]:
    """The clip's events where its new frames (N,) lie.

    They are mapped, not found anew, so that those which a user moved stay moved. Each goes to the nearest
    frame; that of a foot to the first frame whose contacts come from its own or a later one, as contacts do.
    """
    nearest, last = np.round(frames), len(frames) - 1
    steps = {f"{foot}.{word}" for foot in clip.contacts.feet for word in ("down", "up")}
    moved = []
    for event in clip.events:
        frame = int(np.argmin(np.abs(frames - event.frame)))
        if event.name in steps:
            frame = min(int(np.searchsorted(nearest, event.frame)), last)
            frame = 0 if clip.loop and frame == last else frame  # its last frame is its first again
        moved.append(replace(event, frame=frame))
    return tuple(sorted(moved, key=lambda event: (event.frame, event.name)))


def _pin_again(clip: FinishedClip) -> FinishedClip:
    """Planted feet stand still at this rate too; the path stays, and so do ends in the neutral pose."""
    motion, touches = clip.world_motion, clip.touches or clip.contacts
    settings = clip.settings.pin if clip.settings else PinSettings()
    if clip.parts.mode != "keep":
        motion = put_root_at_rest(motion, clip.body)
    if clip.loop:
        motion, contacts = pin_loop(motion, clip.body, touches, settings)
    else:
        inner = _pin_weights(clip)
        nowhere = np.zeros_like(touches.heel)
        found = _choose_contacts(inner > 0, touches, replace(touches, heel=nowhere, toe=nowhere))
        pinned, contacts = pin_feet(motion, clip.body, found, settings)
        motion, contacts = mix(motion, pinned, inner), _choose_contacts(inner > 0, contacts, clip.contacts)
    return replace(
        clip,
        motion=split_root_motion(motion, clip.body, clip.root_motion, clip.parts),
        contacts=contacts,
    )


def _pin_weights(clip: FinishedClip) -> Array:
    """How much of a pinning each frame (F,) takes: none at blended ends, where feet move on purpose."""
    last, blend = len(clip.motion) - 1, max(clip.blend_frames, clip.join_frames)
    if not blend:
        return np.ones(last + 1)
    frames = np.arange(last + 1)
    return smoothstep(np.clip(np.minimum(frames, last - frames) / blend, 0.0, 1.0))


def _choose_contacts(mask: Mask, contacts: Contacts, others: Contacts) -> Contacts:
    """The contacts in frames of a mask (F,), and the others elsewhere."""
    here = mask[:, None]
    return replace(
        contacts,
        heel=np.where(here, contacts.heel, others.heel),
        toe=np.where(here, contacts.toe, others.toe),
    )
