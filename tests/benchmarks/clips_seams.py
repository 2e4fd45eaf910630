"""Other ways to close a loop, and what a closing adds to the motion: for the tables of clips."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import (
    extend_steady,
    find_root_motion,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)
from takemill.maths import quat

_AROUND = 20  # frames to each side of the seam


def plain_cut(take: Motion, start: int, end: int) -> Motion:
    """The frames as they are, the last one's pose replaced by the first one's where the last one stands."""
    clip = take.slice(start, end + 1)
    body = find_body_map(take.skeleton)
    steady = steady_root_motion(find_root_motion(clip, body))
    still = without_root_motion(clip, steady)
    q, p = still.rotations.copy(), still.root_translation.copy()
    q[-1], p[-1] = q[0], p[0]
    return with_root_motion(replace(still, rotations=q, root_translation=p), steady)


def cross_fade(take: Motion, start: int, end: int, frames: int = 10) -> Motion:
    """The last frames fade linearly into the take's frames before the start (or into the start pose)."""
    clip = take.slice(start, end + 1)
    body = find_body_map(take.skeleton)
    track = find_root_motion(take, body)
    steady = steady_root_motion(find_root_motion(clip, body))
    still = without_root_motion(clip, steady)
    q, p = still.rotations.copy(), still.root_translation.copy()
    if start >= frames:
        before = take.slice(start - frames, start + 1)
        turn = track.heading[end] - track.heading[start]
        moved = quat.rotate(quat.from_yaw(turn), before.root_translation - track.position[start])
        there = before.rotations.copy()
        there[:, 0] = quat.mul(quat.from_yaw(turn), there[:, 0])
        there_p = moved + track.position[end]
        way = steady_root_motion(find_root_motion(clip, body))
        last = replace(way, position=way.position[-frames - 1 :], heading=way.heading[-frames - 1 :])
        goal = without_root_motion(Motion(take.skeleton, take.rate, there, there_p), last)
        goal_q, goal_p = goal.rotations, goal.root_translation
    else:
        goal_q, goal_p = np.repeat(q[:1], frames + 1, 0), np.repeat(p[:1], frames + 1, 0)
    part = np.linspace(0, 1, frames + 1)
    q[-frames - 1 :] = quat.slerp(q[-frames - 1 :], goal_q, part[:, None])
    p[-frames - 1 :] += (goal_p - p[-frames - 1 :]) * part[:, None]
    q[-1], p[-1] = q[0], p[0]
    return with_root_motion(replace(still, rotations=q, root_translation=p), steady)


@dataclass(frozen=True)
class Bend:
    """How sharply joints are accelerated around a seam; means of the joints, metres per frame twice.

    Attributes:
        peak: the largest acceleration within 20 frames of the seam.
        own: the largest of the take itself there: up to the end before the seam, from the start on after it.
        excess: the largest acceleration that is the take's in neither of its two readings nor between them.
            A frame beside the seam was played twice, before the end and around the start; a closing that
            blends may take any mean of both readings' accelerations (one share for all joints, the best one).
            What remains is what the closing itself does: the jump of a cut, the kinks of a cross-fade.
    """

    peak: float
    own: float
    excess: float


def bend(take: Motion, loop: Motion, start: int, end: int) -> Bend:
    """The accelerations of a loop of frames `start` to `end` of a take around its seam."""
    body = find_body_map(take.skeleton)
    reach = min(_AROUND, (end - start) // 2)
    steady = steady_root_motion(find_root_motion(take.slice(start, end + 1), body))
    first, last = max(0, start - reach - 1), min(len(take) - 1, end + reach + 1)
    way = extend_steady(steady, start - first, last - end)
    own = np.diff(without_root_motion(take.slice(first, last + 1), way).model()[1], 2, axis=0)
    looped = without_root_motion(loop, steady).model()[1]
    here = np.diff(np.concatenate([looped[-reach - 2 :], looped[1 : reach + 2]]), 2, axis=0)
    offsets = np.arange(-reach, reach + 1)
    readings = []
    for frame in (end, start):
        rows = frame + offsets - first - 1
        known = (rows >= 0) & (rows < len(own))
        readings.append(np.where(known[:, None, None], own[rows.clip(0, len(own) - 1)], np.nan))
    ending, starting = (np.where(np.isnan(a), b, a) for a, b in (readings, readings[::-1]))
    apart = starting - ending
    size = np.maximum((apart**2).sum(axis=(1, 2)), 1e-30)
    share = np.clip(((here - ending) * apart).sum(axis=(1, 2)) / size, 0, 1)[:, None, None]
    played = np.where((offsets < 0)[:, None, None], ending, starting)
    return Bend(*(_largest(change) for change in (here, played, here - ending - share * apart)))


def _largest(change: Array) -> float:
    return float(np.linalg.norm(change, axis=-1).mean(axis=1).max())
