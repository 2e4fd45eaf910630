"""How few keys could do: a floor under the bytes of straight int16 keys on frames, whoever chooses them.

Each channel is given the whole bound for itself, as if all others were exact, values may jump at keys, and
times cost nothing. What then needs N keys needs at least N in any file. To first order in the errors, which
are below a degree; keys between frames and cubic curves are not covered.

The turn error of a joint moves the joint that hangs farthest from it by the part square to the way there,
and turns the ball of its reach by all of it. So its part along each axis is at most half an axis of the
ellipsoid of both, and a channel's curve must lie within that tube around straight stretches. Stretches are
taken as long as they can be: no choice of them is smaller. A line passes between a row of upright gates
if some slope lies within all that pairs of gates allow.
"""

from __future__ import annotations

import numpy as np

from takemill.body.motion import Motion
from takemill.keys.displacement import reaches
from takemill.keys.reduce import ReduceSettings
from takemill.keys.tracks import moving_channels
from takemill.maths import quat

ROTATION_BYTES, PLACE_BYTES = 8, 12


def least_bytes(motion: Motion, settings: ReduceSettings) -> int:
    """Bytes that the values of a clip's keys take at least."""
    turning, sliding = moving_channels(motion)
    total = 0
    for joint in np.flatnonzero(turning):
        curve, width = turn_tube(motion, int(joint), settings)
        total += ROTATION_BYTES * least_keys(curve, width)
    for joint in np.flatnonzero(sliding):
        curve = motion.translation_of(int(joint))
        total += PLACE_BYTES * least_keys(curve, np.full(curve.shape, settings.max_error_m))
    return total


def turn_tube(motion: Motion, joint: int, settings: ReduceSettings) -> tuple[np.ndarray, np.ndarray]:
    """A joint's rotations laid out flat (F, 3), radians, and how far off each axis may be (F, 3)."""
    skeleton = motion.skeleton
    rotations, positions = motion.model()
    own = motion.rotations[:, joint]
    steps = quat.log(quat.mul(own[1:], quat.inv(own[:-1])))
    curve = np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    parent = skeleton.parents[joint]
    ends = [positions[:, j] for j in range(len(skeleton)) if joint in skeleton.path_to(j) and j != joint]
    for tip, offset in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True):
        if joint in skeleton.path_to(tip):
            ends.append(positions[:, tip] + quat.rotate(rotations[:, tip], offset))
    along = settings.max_error_m / reaches(skeleton, settings.probe_m)[joint]
    width = np.full(curve.shape, min(along, np.radians(settings.max_error_deg)))
    for end in ends:
        way = end - positions[:, joint]
        if parent >= 0:
            way = quat.rotate(quat.inv(rotations[:, parent]), way)
        length = np.maximum(np.linalg.norm(way, axis=1, keepdims=True), 1e-9)
        share = (way / length) ** 2
        across = settings.max_error_m / length
        width = np.minimum(width, np.sqrt(along**2 * share + across**2 * (1 - share)))
    return curve, width


def least_keys(curve: np.ndarray, width: np.ndarray) -> int:
    """Keys of the fewest straight stretches that stay within `width` (F, D) of a curve (F, D) on frames."""
    low, high = curve - width, curve + width
    keys, start, frame = 1, 0, 1
    least, most = np.full(curve.shape[1], -np.inf), np.full(curve.shape[1], np.inf)
    while frame < len(curve):
        apart = np.arange(frame - start, 0, -1)[:, None]
        least = np.maximum(least, ((low[frame] - high[start:frame]) / apart).max(axis=0))
        most = np.minimum(most, ((high[frame] - low[start:frame]) / apart).min(axis=0))
        if (least > most).any():
            keys, start = keys + 1, frame - 1
            least, most = np.full(curve.shape[1], -np.inf), np.full(curve.shape[1], np.inf)
        else:
            frame += 1
    return keys + 1
