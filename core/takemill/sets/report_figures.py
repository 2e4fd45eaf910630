"""The stick figures of the report: points, bones and root tracks for `report.js`, in whole millimetres."""

from __future__ import annotations

import base64
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from ..base.checks import Array, Index
from ..body.body_map import BodyMap
from ..body.skeleton import Skeleton
from ..feet.soles import foot_points
from ..maths import quat
from ..maths.series import runs
from ..pipeline.finish_clip import FinishedClip

# Frames a second of a figure on a page: more cannot be seen; of others beside it half as many, so that a page
# for several characters stays small (both chosen by eye).
SHOWN_RATE_HZ, BESIDE_RATE_HZ = 30.0, 15.0
_MAX_SHOWN_MM = 32767  # 16 bits, as the page reads them


@dataclass(frozen=True)
class Companion:
    """Another body that plays the same clips, to be seen side by side.

    Attributes:
        name: of the performer, or of the character.
        clips: those of the same names are shown.
        mesh: as `report_mesh.shown_mesh` gives it; None for a stick figure.
    """

    name: str
    clips: Sequence[FinishedClip]
    mesh: Mapping[str, Any] | None = None


def figures(
    clips: Sequence[FinishedClip],
    mesh: Mapping[str, Any] | None = None,
    most_hz: float = SHOWN_RATE_HZ,
    name: str = "",
) -> dict[str, Any]:
    """The bones of a set's skeleton, and each clip's points over time; with a mesh its joints' turns, too."""
    skeleton, body = clips[0].motion.skeleton, clips[0].body
    turning = list(mesh["turning"]) if mesh else []
    return {
        "name": name,
        "mesh": mesh,
        "parents": _parents(skeleton, body),
        "sides": _sides(skeleton, body),
        "feet": _feet(body),
        "head": _head(skeleton, body),
        "height": max(round(skeleton.height, 3), 0.1),
        "names": [clip.name for clip in clips],
        "clips": {str(k): _clip(clip, turning, most_hz) for k, clip in enumerate(clips)},
    }


def beside(companions: Sequence[Companion], clips: Sequence[FinishedClip]) -> list[dict[str, Any]]:
    """The figures of other bodies, for the clips of the same names."""
    out = []
    for one in companions:
        mine = {clip.name: clip for clip in one.clips}
        shown = [mine[clip.name] for clip in clips if clip.name in mine]
        if shown:
            found = figures(shown, one.mesh, BESIDE_RATE_HZ, one.name)
            number = {clip.name: str(k) for k, clip in enumerate(clips)}
            found["clips"] = {number[name]: found["clips"][str(k)] for k, name in enumerate(found["names"])}
            out.append(found)
    return out


def shown_frames(clip: FinishedClip, most_hz: float = SHOWN_RATE_HZ) -> Index:
    """The frames (N,) that are drawn: both ends, and at most so many a second between."""
    last = len(clip.motion) - 1
    count = int(np.ceil(last * min(most_hz / clip.motion.rate, 1.0))) + 1
    return np.round(np.linspace(0, last, count)).astype(np.intp)


def foot_paths(clip: FinishedClip) -> Array:
    """Heel and toe of each foot in the world (F, K, 2, 3), metres."""
    return clip.restore_points(foot_points(clip.motion, clip.body))


def limbs(clip: FinishedClip) -> list[Index]:
    """The lines (2,) that a stick figure is drawn of: pairs of points, joints first, tips after."""
    parents = _parents(clip.motion.skeleton, clip.body)
    return [np.array([parent, point], np.intp) for point, parent in enumerate(parents) if parent >= 0]


def _parents(skeleton: Skeleton, body: BodyMap) -> list[int]:
    """Each point's parent, joints first, tips after; nothing is drawn from the root, which is no limb."""
    root = body.get("root")
    return [-1 if parent == root else parent for parent in (*skeleton.parents, *skeleton.tip_joints)]


def _sides(skeleton: Skeleton, body: BodyMap) -> list[str]:
    sides: list[str] = []
    for joint, parent in enumerate(skeleton.parents):
        part = body.part_of(joint) or ""
        own = next((side for side in ("left", "right") if part.startswith(side)), "")
        sides.append(own or (sides[parent] if parent >= 0 and not part else "ink"))
    return [*sides, *(sides[joint] for joint in skeleton.tip_joints)]


def _feet(body: BodyMap) -> list[list[int]]:
    """The points that are dotted while a foot is planted: its joint and toes."""
    return [
        [joint for part in (f"{side}Foot", f"{side}Toes") if (joint := body.get(part)) is not None]
        for side in ("left", "right")
    ]


def _head(skeleton: Skeleton, body: BodyMap) -> list[int]:
    """The points that a head lies between; none where its top is not known."""
    head = body.get("head")
    tips = [len(skeleton) + k for k, joint in enumerate(skeleton.tip_joints) if joint == head]
    return [head, tips[0]] if head is not None and tips else []


def _clip(clip: FinishedClip, turning: Sequence[int], most_hz: float) -> dict[str, Any]:
    frames = shown_frames(clip, most_hz)
    skeleton, root_motion = clip.motion.skeleton, clip.root_motion.relative()
    turns, joints = clip.motion.model()
    tips = np.asarray(skeleton.tip_joints, np.intp)
    ends = joints[:, tips] + quat.rotate(turns[:, tips], skeleton.tip_offsets)
    points = clip.restore_points(np.concatenate([joints, ends], axis=1))[frames]
    back = quat.from_yaw(-clip.root_motion.heading[frames])[:, None]
    points = quat.rotate(back, points - clip.root_motion.position[frames, None] * [1.0, 1.0, 0.0])
    track = np.concatenate([root_motion.position[:, :2], root_motion.heading[:, None]], axis=1)[frames]
    masks = dict(zip(clip.contacts.feet, clip.contacts.planted[frames].T, strict=True))
    nothing = np.zeros(len(frames), bool)
    # Seen from the root track, as the points: what it turns and what is left of it in the clip is taken off.
    heading = clip.parts.remaining(clip.root_motion).heading[frames]
    seen = quat.mul(quat.from_yaw(-heading)[:, None], turns[frames][:, list(turning)])
    quat.make_continuous(seen)
    return {
        "turns": base64.b64encode(np.round(32767 * seen).astype("<i2").tobytes()).decode() if turning else "",
        "frames": len(frames),
        "duration": round(clip.motion.duration_s, 6),
        "loop": clip.loop,
        "points": base64.b64encode(_millimetres(points).astype("<i2").tobytes()).decode(),
        "track": _millimetres(track).tolist(),
        "planted": [
            np.stack(runs(masks.get(f"{side}Foot", nothing)), axis=-1).tolist() for side in ("left", "right")
        ],
    }


def _millimetres(values: Array) -> Index:
    return np.clip(np.round(1000 * values), -_MAX_SHOWN_MM, _MAX_SHOWN_MM).astype(np.intp)
