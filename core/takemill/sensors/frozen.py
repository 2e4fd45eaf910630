"""Frames in which a sensor repeats itself though the joint cannot have rested: arrays only."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array, Mask
from ..maths import quat
from ..maths.series import filled, runs
from .spikes import MAX_SPIKE_FRAMES

# Between quaternions of a sensor that repeats itself: above the rounding of a text file.
MAX_REPEAT_DIFFERENCE = 1e-6
# A track with more noise never has equal values by itself. Both: trial, a third less or half as much again
# changes nothing in five damaged takes (sensitivity.py).
MIN_MOVING_NOISE_RAD = np.radians(0.01)


def find_frozen(
    rotations: Array, noise: float, min_frames: int = 3, min_jump: float = np.radians(0.1)
) -> Mask:
    """Frames in which the rotations (F, 4) of a moving joint repeat the one before.

    A run of `min_frames` or more equal frames counts when the joint cannot have rested: its other frames
    carry noise, or it leaves the run by a jump that its next steps do not go on with. The first
    frame of a run is true and not counted.

    Args:
        rotations: (F, 4) hemisphere-continuous.
        noise: of the track, standard deviation about one axis, radians.
        min_frames: of equal frames, the first included.
        min_jump: radians.
    """
    frames = len(rotations)
    out = np.zeros(frames, bool)
    if frames < min_frames + 1:
        return out
    steps = 2 * quat.length(np.diff(rotations, axis=0))
    # A frozen sensor may still carry a drift added later, far below its noise.
    same = steps < max(2 * MAX_REPEAT_DIFFERENCE, 0.02 * noise)
    starts, stops = runs(same)
    long = stops - starts >= min_frames - 1
    starts, stops = starts[long], stops[long]
    if len(starts) == 0 or same.all():
        return out
    left = steps[np.minimum(stops, frames - 2)] * (stops < frames - 1)
    went_on = np.maximum(steps[np.minimum(stops + 1, frames - 2)], steps[np.maximum(starts - 1, 0)])
    # A joint that rests and jumps for a moment comes back to where it rested.
    soon = np.minimum(stops[:, None] + np.arange(2, MAX_SPIKE_FRAMES + 2), frames - 1)
    back = (2 * quat.length(rotations[soon] - rotations[stops][:, None]) < MAX_REPEAT_DIFFERENCE).any(axis=1)
    keep = ((left > min_jump) & (left > 2.5 * went_on) & ~back) | (noise > MIN_MOVING_NOISE_RAD)
    return filled(frames, starts[keep] + 1, stops[keep] + 1)
