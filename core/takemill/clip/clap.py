"""A clap: when the hands of a take meet, to align with it what was recorded beside it."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model

# Chosen by eye: hands that clap close by 1 to 4 m/s, those that come to rest on each other by a few tenths.
_LEAST_SPEED = 1.0  # leg lengths a second (0.85 m of a person of 1.75 m)
_MOST_APART = 0.35  # leg lengths between the wrists where palms meet
_BEFORE_S = 0.12  # in which the hands close
_TOUCHES = 0.003  # leg lengths: surfaces that are 2.5 mm nearer are pressed together
_LIKE = 0.8  # of the fastest: claps as sharp as that might be the one that is meant


def find_claps(motion: Motion, body: BodyMap) -> Array:
    """The seconds (N,) at which the hands meet, the sharpest clap first; then others nearly as sharp.

    A clap is a least distance of the hands, to which they close fast; its moment is when they first come so
    near.

    Raises:
        InputError: a hand is not mapped, or no clap is found.
    """
    left, right = (joint_in_model(motion, body.require(f"{side}Hand"))[1] for side in SIDES)
    apart = np.linalg.norm(left - right, axis=-1) / leg_length(motion.skeleton, body)
    inner = np.arange(1, len(apart) - 1)
    lowest = (apart[inner] <= apart[inner - 1]) & (apart[inner] < apart[inner + 1])
    frames = inner[lowest & (apart[inner] < _MOST_APART)]
    reach = max(1, round(_BEFORE_S * motion.rate))
    before = np.lib.stride_tricks.sliding_window_view(np.pad(-np.diff(apart), (reach, 0)), reach)
    speeds = before.max(axis=1)[frames] * motion.rate
    order = np.argsort(-speeds, kind="stable")
    if not len(frames) or speeds[order[0]] < _LEAST_SPEED:
        raise InputError("no clap is found: the hands never meet fast; type the offset instead")
    chosen = frames[order[speeds[order] >= max(_LEAST_SPEED, _LIKE * speeds[order[0]])]]
    return np.array([_impact(apart, frame) for frame in chosen.tolist()]) / motion.rate


def _impact(apart: Array, frame: int) -> float:
    """When, in parts of a frame, the hands first come as near as in `frame`, but for what nobody sees."""
    level = apart[frame] + _TOUCHES
    last = int(np.flatnonzero(apart[:frame] > level)[-1])  # they closed fast, so that there is one
    return last + float((apart[last] - level) / (apart[last] - apart[last + 1]))
