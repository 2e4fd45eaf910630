"""Where a body touches what stands on the floor: how low its surface lies, and what of it stays there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import Array, Index
from ..maths import filters, quat
from ..shape.sitting import SitPoints
from .goal_figures import Figure, floor_low
from .goal_pose import GoalPose
from .goal_spans import Spans

_NEAR_M = 0.02  # over the lowest vertex: what lies higher at all looks never touches (by eye)
_ROLLS_S = 3.0  # a body that rocks on a chair comes back within so long (by eye)
_PATCH_M = 0.001  # over the lowest vertex, by which another counts a third, as in sole_patches


def support_joints(figure: Figure, part: str) -> list[int]:
    """The joints that a part's surface hangs on."""
    sitting = figure.shape.sitting if part == "hips" else None
    return [figure.anchors[part].joint, *([] if sitting is None else np.unique(sitting.joints).tolist())]


def touching(figure: Figure, pose: GoalPose, part: str, looks: Index) -> tuple[Array, Array, Array]:
    """How low a part lies (N,), metres, places of its surface (N, V, 2), and which of them touch (N, V).

    Of hips, and the tops of thighs, as the mesh shows them: vertices that come near the lowest in some of the
    frames, `looks`. Else one place, straight under the part's point (see `floor_low`).
    """
    sitting = figure.shape.sitting
    if part != "hips" or sitting is None:
        low, point = floor_low(figure, pose, part)
        return low, point[:, None, :2], np.ones((len(pose), 1))
    height = _places(sitting, pose.at_rows(looks, pose.joints), (2,))[0]
    near = (height - height.min(axis=1, keepdims=True) < _NEAR_M).any(axis=0)
    x, y, height = _places(_only(sitting, np.flatnonzero(near)), pose, (0, 1, 2))
    low = height.min(axis=1)
    share = np.exp(-(height - low[:, None]) / _PATCH_M)
    return low, np.stack([x, y], axis=-1), share / share.sum(axis=1, keepdims=True)


def touching_place(
    figure: Figure, pose: GoalPose, part: str, spans: Spans, looks: Index, rate: float
) -> tuple[Array, Array]:
    """How low a part lies (N,), and where what touches a support is, seen from above (N, 2), metres.

    What touches is the same while a goal holds, for it stays in its place: of vertices those that touch on
    average, which roll there, else what lies straight under the part's middle, on average too.
    """
    low, places, share = touching(figure, pose, part, looks)
    joint, half = figure.anchors[part].joint, round(_ROLLS_S * rate)
    under = quat.rotate(
        quat.inv(pose.turned[joint]), np.insert(places[:, 0], 2, low, axis=1) - pose.at[joint]
    )
    courses = []
    for span in spans.each:
        if places.shape[1] > 1:
            still = np.einsum("nva,v->na", places, share[span.held].mean(axis=0))
            courses.append(still + _rolled(places, share, still, span.held, half))
        else:
            courses.append(pose.point(joint, under[span.held].mean(axis=0))[:, :2])
    out = np.zeros((len(pose), 2))
    for span, course in zip(spans.each, courses, strict=True):
        out[span.rows] += span.weight[:, None] * course[span.rows]
    return low, out / spans.total[:, None]


def _rolled(places: Array, share: Array, still: Array, held: slice, half: int) -> Array:
    """How far (N, 2) a surface rolls on what it touches while that is `held`, and comes back in the long run.

    Args:
        places: (N, V, 2) of the surface, seen from above.
        share: (N, V) how much each touches.
        still: (N, 2) the place that would stand if it did not roll.
        held: those of the N in which it touches.
        half: frames to each side; what goes on for longer is no rolling.
    """
    between = (share[held][1:] + share[held][:-1]) / 2
    step = np.einsum("nva,nv->na", np.diff(places[held], axis=0), between) - np.diff(still[held], axis=0)
    gone = np.concatenate([np.zeros((1, 2)), np.cumsum(step, axis=0)])
    out = np.zeros_like(still)
    out[held] = gone - filters.moving_mean(gone, half)
    out[: held.start], out[held.stop :] = out[held.start], out[held.stop - 1]
    return out


def _only(sitting: SitPoints, vertices: Index) -> SitPoints:
    rows = np.isin(sitting.vertices, vertices)
    number = np.searchsorted(vertices, sitting.vertices[rows])
    return replace(sitting, joints=sitting.joints[rows], points=sitting.points[rows], vertices=number,
                   weights=sitting.weights[rows])  # fmt: skip


def _places(sitting: SitPoints, pose: GoalPose, axes: tuple[int, ...]) -> list[Array]:
    """Where the vertices are as skinned, some axes of it (N, V) each."""
    count = int(sitting.vertices.max()) + 1
    out = [np.zeros((len(pose), count)) for _ in axes]
    for joint in np.unique(sitting.joints).tolist():
        mine = sitting.joints == joint
        parts = np.zeros((4, count))
        inside = sitting.weights[mine, None] * np.insert(sitting.points[mine], 3, 1.0, axis=1)
        np.add.at(parts.T, sitting.vertices[mine], inside)
        matrix = quat.to_matrix(pose.turned[joint])
        for places, axis in zip(out, axes, strict=True):
            places += np.insert(matrix[:, axis], 3, pose.at[joint][:, axis], axis=1) @ parts
    return out
