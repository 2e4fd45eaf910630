"""Open walks and runs made to start and stop, and to turn on the way, on the bodies of the open data."""

from __future__ import annotations

from functools import cache

import numpy as np

import open_data
from labelled_guards import RATE, Guard, calm_pose, ease, guard_motion, join, the_body
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.root_motion import (
    RootMotion,
    RootMotionSettings,
    find_root_motion,
    with_root_motion,
    without_root_motion,
)
from takemill.feet.contacts import find_contacts
from takemill.feet.pin import pin_feet
from takemill.maths import quat
from wobble import noisy, wobbled

_OVER = round(0.5 * RATE)  # frames in which rest and gait go over into each other, foot by foot


@cache
def start_and_stop(
    name: str = "walk", cycles: int = 5, seed: int = 0, turn_deg: float = 0.0, noise_deg: float = 0.05
) -> tuple[Motion, BodyMap]:
    """Three seconds of breathing, an open gait whose cycles differ, and three seconds of breathing again.

    With `turn_deg` its path turns by that within a cycle and a half in its middle, feet pinned anew.
    """
    gait, _ = wobbled(open_data.repeated(open_data.humanoid3d(name)[0], cycles), seed, RATE)
    if turn_deg:
        gait = _turned(gait, turn_deg, 1.5 * len(gait) / cycles)
    rng = np.random.default_rng([seed, 15])
    guard = Guard(calm_pose("punch", 0.1), 0.003, 0.5, 0.0, 0.0)
    whole = join(guard_motion(guard, round(3 * RATE), rng), gait, _OVER)
    whole = join(whole, guard_motion(guard, round(3 * RATE), rng), _OVER)
    return noisy(whole, seed, noise_deg), the_body()


def _turned(motion: Motion, turn_deg: float, frames: float) -> Motion:
    """The motion on a path that turns within so many frames around its middle."""
    body, middle = the_body(), len(motion) / 2
    track = find_root_motion(motion, body, RootMotionSettings(smooth_hz=0.8))
    extra = np.radians(turn_deg) * ease((np.arange(len(motion)) - middle) / frames + 0.5)
    steps = quat.rotate(quat.from_yaw((extra[1:] + extra[:-1]) / 2), np.diff(track.position, axis=0))
    place = track.position[0] + np.concatenate([np.zeros((1, 3)), np.cumsum(steps, axis=0)])
    bent = with_root_motion(
        without_root_motion(motion, track), RootMotion(motion.rate, place, track.heading + extra)
    )
    return pin_feet(bent, body, find_contacts(motion, body))[0]
