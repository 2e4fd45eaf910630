"""Clips of a set whose ends meet loops: which ones these are, and ends that meet again at another rate."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index
from ..body.posed import joint_in_model
from ..clip.root_motion import move_to_origin, put_root_at_rest, without_root_motion
from ..clip.root_motion_parts import split_root_motion
from ..loops.gait_join import Moved
from ..maths.easing import smoothstep
from .finish_clip import FinishedClip, join_loops

_MAX_APART_M = 1e-4  # what nobody sees; single precision, in Blender's curves, leaves a tenth of it


def loop_of(clip: FinishedClip, key: str, clips: Sequence[FinishedClip]) -> FinishedClip | None:
    """The loop of a set that an end of a clip meets, by "follows" or "leads_to"; None if it is not there.

    A variant meets the same variant of the loop.
    """
    name = clip.joins.get(key)
    return next(
        (
            one
            for one in clips
            if name and one.loop and one.asked and one.asked.name == name and _change(one) == _change(clip)
        ),
        None,
    )


def meeting(count: int, cycle: int, key: str, frames: int) -> tuple[Index, Array]:
    """How chains and faces of a clip go over into those of a loop within some frames of an end.

    Args:
        count: frames F of the clip.
        cycle: frames of the loop.
        key: the end that meets the loop: "follows" for the first, "leads_to" for the last.
        frames: that it takes.

    Returns:
        (F,) the loop's frame beside each of the clip's, and (F,) the loop's share of it: 1 at that end.
    """
    places = np.arange(count)
    if key == "follows":
        there, away = np.minimum(places, cycle - 1), places
    else:
        there, away = np.maximum(places - count + cycle, 0), places[::-1]
    return there, smoothstep(np.clip(1 - away / max(frames, 1), 0.0, 1.0))


def _change(clip: FinishedClip) -> tuple[bool, float, bool]:
    """What a variant was changed by."""
    one = clip.variant
    return (False, 1.0, False) if one is None else (one.mirror, one.speed, bool(one.additive_to))


def meet_loops(clips: Sequence[FinishedClip]) -> tuple[FinishedClip, ...]:
    """The clips of a set, those that meet loops exactly in their poses again after both were sampled anew.

    A clip whose loop is not there, or leaves at another rate, stays.
    """
    return tuple(_meet(clip, clips) for clip in clips)


def _meet(clip: FinishedClip, clips: Sequence[FinishedClip]) -> FinishedClip:
    rate = clip.motion.rate
    loops = {
        clip.joins[key]: loop
        for key in clip.joins
        if (loop := loop_of(clip, key, clips)) and math.isclose(loop.motion.rate, rate, rel_tol=1e-6)
    }
    if clip.asked is None or clip.settings is None or not loops:
        return clip
    follows, leads_to = (clip.joins.get(key, "") for key in ("follows", "leads_to"))
    spec = replace(
        clip.asked,
        follows=follows if follows in loops else "",
        leads_to=leads_to if leads_to in loops else "",
    )
    if max(_apart_m(clip, key, loops[name]) for key, name in spec.loops.items()) < _MAX_APART_M:
        return clip
    loops = {
        name: replace(loop, motion=replace(loop.motion, rate=rate)) if loop.motion.rate != rate else loop
        for name, loop in loops.items()
    }
    motion = clip.world_motion
    if clip.parts.mode != "keep":
        motion = put_root_at_rest(motion, clip.body)
    moved = Moved(motion, clip.root_motion, clip.contacts, clip.touches or clip.contacts)
    moved = join_loops(moved, clip.body, spec, clip.settings, loops, clip.blend_frames)
    motion, root_motion = move_to_origin(moved.motion, moved.root_motion)
    return replace(
        clip,
        motion=split_root_motion(motion, clip.body, root_motion, clip.parts),
        root_motion=root_motion,
        contacts=moved.contacts,
        touches=clip.touches and moved.touches,
    )


def _apart_m(clip: FinishedClip, key: str, loop: FinishedClip) -> float:
    """How far the farthest joint of a clip's end is from the loop's, beside their root tracks, metres."""
    level = [1.0, 1.0, float("keep" not in (clip.parts.height, loop.parts.height))]
    poses = []
    for one, frame in ((clip, 0 if key == "follows" else len(clip.motion) - 1), (loop, 0)):
        track = replace(
            one.root_motion,
            position=one.root_motion.position[frame : frame + 1] * level,
            heading=one.root_motion.heading[frame : frame + 1],
        )
        pose = without_root_motion(one.world_motion.slice(frame, frame + 1), track)
        hips = one.body.require("hips")
        joints = [j for j in range(len(pose.skeleton)) if hips in pose.skeleton.path_to(j)]
        poses.append(np.stack([joint_in_model(pose, joint)[1][0] for joint in joints]))
    return float(np.linalg.norm(poses[0] - poses[1], axis=-1).max())
