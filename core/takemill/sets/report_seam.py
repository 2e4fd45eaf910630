"""A loop's seam, enlarged: poses on both sides of it, and how fast the joints pass it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..clip.clouds import main_joints
from ..maths import quat
from ..pages import svg
from ..pipeline.finish_clip import FinishedClip
from .report_figures import limbs

# All chosen by eye.
_TRAIL_S = 0.25  # to each side, the paths of hands, feet and head
_TRACE_S = 0.5  # to each side, the speeds
_MIN_SCALE_CM_S = 20.0  # the top of the scale of speeds is not lower
_SHOWN_POSES = 2  # to each side
_POSE_STEP_S = 1 / 30  # between two of them
_TRAILED = ("head", "leftHand", "rightHand", "leftFoot", "rightFoot")


@dataclass(frozen=True)
class Passage:
    """A loop passing its seam: the end of one cycle and the start of the next, in one space.

    Attributes:
        rate: frames per second.
        at: the frame of the seam among those below.
        points: (F, P, 3) joints and tips, metres; the body faces -Y at the seam.
        speeds: (F - 1, J) of the joints from frame to frame, cm/s.
    """

    rate: float
    at: int
    points: Array
    speeds: Array

    @classmethod
    def of(cls, clip: FinishedClip, reach_s: float = _TRACE_S) -> Passage:
        """The passage of a loop, up to `reach_s` or a cycle to each side."""
        skeleton, last = clip.motion.skeleton, len(clip.motion) - 1
        reach = min(max(round(reach_s * clip.motion.rate), 1), last)
        turns, joints = clip.motion.model()
        tips = np.asarray(skeleton.tip_joints, np.intp)
        ends = joints[:, tips] + quat.rotate(turns[:, tips], skeleton.tip_offsets)
        points = clip.restore_points(np.concatenate([joints, ends], axis=1))
        before, after = (
            _view_from(points[part], clip.root_motion.position[at], float(clip.root_motion.heading[at]))
            for part, at in ((slice(last - reach, last + 1), last), (slice(0, reach + 1), 0))
        )
        whole = np.concatenate([before, after[1:]])  # the last frame repeats the first
        steps = np.linalg.norm(np.diff(whole[:, : len(skeleton)], axis=0), axis=-1)
        return cls(clip.motion.rate, reach, whole, 100 * clip.motion.rate * steps)


def _view_from(points: Array, place: Array, heading: float) -> Array:
    """Points (F, P, 3) as seen from a place (3,) on the floor and its heading, radians."""
    return quat.rotate(quat.from_yaw(-heading), points - place * [1.0, 1.0, 0.0])


def seam_close_up(clip: FinishedClip) -> str:
    """What is shown of a loop's seam; nothing for a one-shot or one too short to have a speed."""
    if not clip.loop or len(clip.motion) < 3:
        return ""
    passage = Passage.of(clip)
    return (
        f'<div class="halves seam"><div><h4>The seam, from the side</h4>{_poses(clip, passage)}</div>'
        f"<div><h4>Speed across the seam</h4>{_trace(clip, passage)}</div></div>"
    )


def _poses(clip: FinishedClip, passage: Passage) -> str:
    """Poses before and after the seam over each other, and the paths of the limbs' ends."""
    step = max(round(_POSE_STEP_S * passage.rate), 1)
    sides = passage.points[..., 1:] * [-1.0, 1.0]  # ahead to the right, up
    lines = limbs(clip)
    count = min(_SHOWN_POSES, passage.at // step)
    drawn: list[tuple[str, Array]] = []
    for side, style in ((-1, "sb"), (1, "sa"), (0, "si")):
        for k in range(count, 0, -1) if side else (0,):
            drawn += [(style, sides[passage.at + side * k * step][line]) for line in lines]
    reach = min(round(_TRAIL_S * passage.rate), passage.at)
    trails: list[tuple[str, Array]] = []
    for joint in _trailed_joints(clip):
        trail = sides[passage.at - reach : passage.at + reach + 1, joint]
        trails += [("before", trail[: reach + 1]), ("after", trail[reach:])]
    frames = f"{step} and {2 * step} frames" if step > 1 else "one and two frames"
    return (
        f'<figure class="path">{svg.draw_side_view(drawn, trails)}<figcaption><span class="before">'
        f'Before</span>, at and <span class="after">after</span> the seam, {frames} away; dots are every '
        f"frame of head, hands and feet. The body looks to the right.</figcaption></figure>"
    )


def _trailed_joints(clip: FinishedClip) -> Index:
    found = [joint for part in _TRAILED if (joint := clip.body.get(part)) is not None]
    return np.array(found, np.intp)


def _trace(clip: FinishedClip, passage: Passage) -> str:
    """Mean speed of the joints and that of the feet, from half a second before to half a second after."""
    speeds = passage.speeds
    series = [("si", speeds[:, main_joints(clip.body)].mean(axis=1))]
    names = ['<span class="key" style="--swatch: var(--ink)">mean of the joints</span>']
    for side in ("left", "right"):
        joint = clip.body.get(f"{side}Foot")
        if joint is not None:
            series.append((f"s{side[0]}", speeds[:, joint]))
            names.append(f'<span class="key" style="--swatch: var(--{side})">{side} foot</span>')
    top = max(float(max(values.max() for _, values in series)), _MIN_SCALE_CM_S)
    reach = passage.at / passage.rate
    axis = f"<span>-{reach:.2f} s</span><span>seam</span><span>+{reach:.2f} s</span>"
    return (
        f'<div class="plot"><span class="name">{top:.0f} cm/s</span>'
        f"{svg.draw_curves(series, top, middle=True)}"
        f'<span></span><span class="axis">{axis}</span></div>'
        f'<figcaption class="soft">{"".join(names)}</figcaption>'
    )
