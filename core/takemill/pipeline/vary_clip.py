"""A finished clip made into another one: at another rate, mirrored, faster or slower, or as a difference.

`pipeline_clip.finish` makes variants from the take itself; here the clip is all that is left of it.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..clip.mirror import middle_facing, mirrored, mirrored_contacts, mirrored_events
from ..clip.root_motion import RootMotion, root_at_rest, without_root_motion
from ..clip.root_motion_parts import part_root_motion
from ..maths import series
from ..recipe.recipe import VariantSpec
from .finish_clip import FinishedClip, as_difference


def at_rate(clip: FinishedClip, rate: float) -> FinishedClip:
    """The clip at another rate; a loop stays closed."""
    if np.isclose(rate, clip.motion.rate, rtol=1e-4):
        return clip
    frames = series.frames_at(len(clip.motion), clip.motion.rate, rate, clip.loop)
    return _at_frames(clip, frames, rate, rate / clip.motion.rate)


def varied(clip: FinishedClip, variant: VariantSpec, reference: FinishedClip | None = None) -> FinishedClip:
    """What `variant` makes of a clip, in the order of `pipeline_clip.finish`: speed, mirror, difference.

    Args:
        clip: with poses, not a difference itself.
        variant: what is wanted.
        reference: the clip that a difference is taken against, at the same rate.

    Raises:
        InputError: a speed that is not above 0 or leaves fewer than two frames; a clip or a reference that
            holds differences.
    """
    for one in (clip, reference):
        if one is not None and one.additive:
            raise InputError(f"clip {one.name!r}: it holds differences, no poses; choose one that has poses")
    expect_positive(variant.speed, "speed")
    if variant.speed != 1:
        rate = clip.motion.rate
        frames = series.frames_at(len(clip.motion), rate * variant.speed, rate, clip.loop)
        if len(frames) < 2:
            raise InputError(
                f"clip {clip.name!r}: {len(clip.motion)} frames would become fewer than two; lower its speed"
            )
        clip = _at_frames(clip, frames, rate, 1 / variant.speed)
    if variant.mirror:
        clip = _mirrored(clip)
    clip = replace(clip, name=variant.name, variant=variant)
    return as_difference(clip, reference) if reference else clip


def _at_frames(clip: FinishedClip, frames: Array, rate: float, stretch: float) -> FinishedClip:
    """The clip's frames (N,), played at `rate`; a blend lasts `stretch` times as many frames as before."""
    way = np.concatenate([clip.root_motion.position, clip.root_motion.heading[:, None]], axis=1)
    way = series.sample_vectors(way, frames)
    nearest = (int(np.argmin(np.abs(frames - event.frame))) for event in clip.events)
    return replace(
        clip,
        motion=clip.motion.sampled(frames, rate),
        root_motion=RootMotion(rate, way[:, :3], way[:, 3]),
        events=tuple(replace(event, frame=frame) for event, frame in zip(clip.events, nearest, strict=True)),
        contacts=clip.contacts.sampled(frames, rate),
        blend_frames=round(clip.blend_frames * stretch),
    )


def _mirrored(clip: FinishedClip) -> FinishedClip:
    """Left and right exchanged; it still starts facing forward, whatever way the body faces at rest."""
    motion = clip.in_world
    if clip.parts.mode != "keep":
        motion = root_at_rest(motion, clip.body)
    motion = mirrored(motion, clip.body)
    root_motion = replace(
        clip.root_motion,
        position=clip.root_motion.position * [-1.0, 1.0, 1.0],
        heading=-clip.root_motion.heading,
    )
    facing = middle_facing(motion.skeleton, clip.body)
    if facing:  # the mirror stands in the middle of the body at rest, which is not then ahead
        turn = np.full(len(motion), 2 * facing)
        motion = without_root_motion(motion, RootMotion(motion.rate, np.zeros((len(motion), 3)), turn))
        if clip.parts.mode != "keep":
            motion = root_at_rest(motion, clip.body)
    return replace(
        clip,
        motion=part_root_motion(motion, clip.body, root_motion, clip.parts),
        root_motion=root_motion,
        events=mirrored_events(clip.events),
        contacts=mirrored_contacts(clip.contacts),
    )
