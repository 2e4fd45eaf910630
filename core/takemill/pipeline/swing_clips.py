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
from .meet_loops import loop_of, meeting


def swing_clips(
    clips: Sequence[FinishedClip],
    springs: Springs,
    neutral: str = "",
    known: FinishedClip | None = None,
) -> tuple[FinishedClip, ...]:
    """The clips with their chains swinging; an additive one adds no swing of its own.

    One-shots that were blended onto the `neutral` clip have its chains' first pose at their ends too; `known`
    is that clip where it was made before. Ends that meet a loop go over into its chains' own swing.

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
            turn = quat.slerp(turn, pose, 1 - own_share(clip)[:, None])
        for key in clip.joins:
            loop = loop_of(clip, key, chosen)
            if loop is not None:
                there, share = meeting(len(turn), len(turns[loop.name]), key, clip.join_frames)
                turn = quat.slerp(turn, turns[loop.name][there], share[:, None])
        rotations = clip.motion.rotations.copy()
        rotations[:, joints] = turn
        motion = clip.motion.with_rotations(rotations)
        out[clip.name] = replace(clip, motion=motion, swinging=Swinging(names, one.gap_m))
    return tuple(out.get(clip.name, clip) for clip in clips)


def describe_swing(clips: Sequence[FinishedClip]) -> list[str]:
    """What is to be said of chains: loops that were mixed so that they repeat, and clips without a swing."""
    said = [
        f"clip {clip.name!r}: its chains do not repeat; two cycles, {1000 * clip.swinging.gap_m:.1f} mm "
        "from each other at their ends, were mixed; raise drag for less"
        for clip in clips
        if clip.swinging is not None and clip.swinging.gap_m
    ]
    still = [repr(clip.name) for clip in clips if clip.additive]
    if still and any(clip.swinging for clip in clips):
        said.append(f"without a swing: clip {', '.join(still)} (it holds differences, which add none)")
    return said


def own_share(clip: FinishedClip) -> Array:
    """How much of each frame (F,) is the clip's own: none at its blended ends."""
    frames = np.arange(len(clip.motion))
    ends = {"follows": frames, "leads_to": frames[::-1]}
    inner = np.min([away for key, away in ends.items() if key not in clip.joins], axis=0) / clip.blend_frames
    return smoothstep(np.clip(inner, 0.0, 1.0))
