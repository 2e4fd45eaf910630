"""A finished clip made into another one: faster or slower, mirrored, or as a difference; at its own rate."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import expect_positive
from ..base.errors import InputError
from ..clip.mirror import middle_facing, mirror_contacts, mirror_events, mirror_motion
from ..clip.root_motion import RootMotion, put_root_at_rest, without_root_motion
from ..clip.root_motion_parts import RootMotionParts, remove_remaining, split_root_motion
from ..clip.variants import subtract_motion
from ..recipe.recipe import VariantSpec
from .finish_clip import FinishedClip, blend_onto, meet_ends
from .resample_clip import retime_clip


def vary_clip(
    clip: FinishedClip,
    variant: VariantSpec,
    neutral: FinishedClip | None = None,
    reference: FinishedClip | None = None,
) -> FinishedClip:
    """What `variant` makes of a clip: its speed first, then its mirror image, then the difference.

    Args:
        clip: with poses, not a difference itself.
        variant: what is wanted.
        neutral: the clip in whose first pose the ends of `clip` lie; a mirrored one is blended onto it again.
        reference: the clip that a difference is taken against.

    Raises:
        InputError: a speed that is not above 0 or leaves fewer than two frames; a clip or a reference that
            holds differences.
    """
    for one in (clip, reference):
        if one is not None and one.additive:
            raise InputError(f"clip {one.name!r}: it holds differences, no poses; choose one that has poses")
    expect_positive(variant.speed, "speed")
    if variant.speed != 1:
        clip = retime_clip(clip, variant.speed)
    if variant.mirror:
        clip = _mirror(clip)
        if neutral is not None and clip.blend_frames:
            clip = _blend_again(clip, neutral, str(variant))
    clip = replace(clip, name=variant.name, variant=variant)
    return subtract_reference(clip, reference) if reference else clip


def _blend_again(clip: FinishedClip, neutral: FinishedClip, who: str) -> FinishedClip:
    """The ends of a mirrored clip, which lie in the mirrored neutral pose, blended onto the pose itself."""
    motion = blend_onto(clip.world_motion, clip.body, neutral, clip.blend_frames, clip.asked, who)
    root_motion = clip.root_motion
    if clip.asked is not None and clip.settings is not None:
        motion, root_motion = meet_ends(motion, clip.body, root_motion, clip.asked, clip.settings, neutral)
    return replace(
        clip, motion=split_root_motion(motion, clip.body, root_motion, clip.parts), root_motion=root_motion
    )


def _mirror(clip: FinishedClip) -> FinishedClip:
    """Left and right exchanged; it still starts facing forward, whatever the body faces at rest."""
    motion = clip.world_motion
    if clip.parts.mode != "keep":
        motion = put_root_at_rest(motion, clip.body)
    motion = mirror_motion(motion, clip.body)
    root_motion = replace(
        clip.root_motion,
        position=clip.root_motion.position * [-1.0, 1.0, 1.0],
        heading=-clip.root_motion.heading,
    )
    facing = middle_facing(motion.skeleton, clip.body)
    if facing:  # the mirror lies in the middle plane of the body at rest, which does not face forward
        turn = np.full(len(motion), 2 * facing)
        motion = without_root_motion(motion, RootMotion(motion.rate, np.zeros((len(motion), 3)), turn))
        if clip.parts.mode != "keep":
            motion = put_root_at_rest(motion, clip.body)
    return replace(
        clip,
        motion=split_root_motion(motion, clip.body, root_motion, clip.parts),
        root_motion=root_motion,
        events=mirror_events(clip.events),
        contacts=mirror_contacts(clip.contacts),
        touches=clip.touches and mirror_contacts(clip.touches),
    )


def subtract_reference(clip: FinishedClip, reference: FinishedClip) -> FinishedClip:
    """What the clip does beyond another one, on the spot; its contacts are no longer those of a pose."""
    parts = RootMotionParts("remove", "remove", "keep")
    whole = clip.variant is not None and clip.variant.against == "clip"
    base = remove_remaining(reference.motion, reference.body, reference.root_motion, reference.parts)
    on_spot = remove_remaining(
        clip.motion, clip.body, clip.root_motion, RootMotionParts("keep", "keep", "keep")
    )
    none = RootMotion(clip.motion.rate, np.zeros((len(on_spot), 3)), np.zeros(len(on_spot)))
    nowhere = np.zeros_like(clip.contacts.heel)
    return replace(
        clip,
        motion=subtract_motion(on_spot, base if whole else base.slice(0, 1)),
        loop=clip.loop and (reference.loop or not whole),
        parts=parts,
        root_motion=none,
        contacts=replace(clip.contacts, heel=nowhere, toe=nowhere),
        touches=None,
    )
