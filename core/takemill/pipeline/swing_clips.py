"""Finished clips with their chains swinging: after all else, at the rates that they leave with."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..base.checks import Array
from ..maths import quat
from ..maths.easing import smoothstep
from ..springs.springs import Springs, joints_of
from ..springs.swing import swing
from .finish_clip import FinishedClip, Swinging


def swing_clips(
    clips: Sequence[FinishedClip],
    springs: Springs,
    neutral: str = "",
    known: FinishedClip | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips with their chains swinging; an additive one adds no swing of its own.

    One-shots that were blended onto the `neutral` clip have its chains' first pose at their ends too; `known`
    is that clip where it was made before.

    Raises:
        InputError: the chains cannot be simulated.
    """
    chosen = [clip for clip in clips if not clip.additive]
    if not springs.chains or not chosen:
        return tuple(clips)
    swung = swing([clip.world_motion for clip in chosen], [clip.loop for clip in chosen], springs)
    joints = list(joints_of(springs))
    names = tuple(springs.names(chosen[0].motion.skeleton).items())
    turns = {clip.name: one.rotations for clip, one in zip(chosen, swung, strict=True)}
    pose = turns[neutral][0] if neutral in turns else None
    if pose is None and known is not None:
        pose = known.motion.rotations[0, joints]
    out = {}
    for clip, one in zip(chosen, swung, strict=True):
        turn = one.rotations
        if clip.blend_frames and pose is not None:
            turn = quat.slerp(turn, pose, 1 - _own_share(clip)[:, None])
        rotations = clip.motion.rotations.copy()
        rotations[:, joints] = turn
        motion = clip.motion.with_rotations(rotations)
        out[clip.name] = replace(clip, motion=motion, swinging=Swinging(names, one.gap_m))
    return tuple(out.get(clip.name, clip) for clip in clips)


def _own_share(clip: FinishedClip) -> Array:
    """How much of each frame (F,) is the clip's own: none at its blended ends."""
    frames = np.arange(len(clip.motion))
    inner = np.minimum(frames, frames[::-1]) / clip.blend_frames
    return smoothstep(np.clip(inner, 0.0, 1.0))
