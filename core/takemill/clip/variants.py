"""Clips made from clips: faster or slower, or as a difference to be added to others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.checks import expect_positive
from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import quat, series


def retimed(motion: Motion, speed: float, loop: bool = False) -> Motion:
    """The motion played `speed` times as fast, at the same rate.

    A loop keeps its last frame as its first again: its new length is rounded to whole frames. Otherwise the
    last frame is the last that the motion still covers.

    Raises:
        InputError: speed is not above 0, or so high that less than two frames would be left.
    """
    expect_positive(speed, "speed")
    frames = series.frames_at(len(motion), motion.rate, motion.rate / speed, loop)
    if len(frames) < 2 <= len(motion):
        raise InputError(f"speed {speed:g}: {len(motion)} frames would become fewer than two")
    return motion.sampled(frames, motion.rate)


def additive(motion: Motion, reference: Motion) -> Motion:
    """What `motion` does beyond `reference`, as offsets from the rest pose.

    Each local transform becomes rest x reference^-1 x motion (rotations), rest + motion - reference
    (translations): an engine that lays the clip over another pose adds exactly the difference. A reference
    of one frame is held; of several frames it is spread over the motion's length.

    Raises:
        InputError: the reference has other joints.
    """
    if reference.skeleton.names != motion.skeleton.names:
        raise InputError("the reference of an additive clip must have the same joints")
    base = reference.sampled(np.linspace(0, len(reference) - 1, len(motion)), motion.rate)
    rest = motion.skeleton
    rotations = quat.mul(rest.rest_rotation, quat.mul(quat.inv(base.rotations), motion.rotations))
    return replace(
        motion,
        rotations=rotations,
        root_translation=rest.rest_translation[0] + motion.root_translation - base.root_translation,
        translations={
            joint: rest.rest_translation[joint] + motion.translation_of(joint) - base.translation_of(joint)
            for joint in {*motion.translations, *base.translations}
        },
    )


def added(base: Motion, difference: Motion) -> Motion:
    """`additive` undone: the difference laid over a base of the same length.

    Raises:
        InputError: other joints or another length.
    """
    if base.skeleton.names != difference.skeleton.names or len(base) != len(difference):
        raise InputError("an additive clip and its base must have the same joints and frames")
    rest = base.skeleton
    rotations = quat.mul(base.rotations, quat.mul(quat.inv(rest.rest_rotation), difference.rotations))
    return replace(
        base,
        rotations=rotations,
        root_translation=base.root_translation + difference.root_translation - rest.rest_translation[0],
        translations={
            joint: base.translation_of(joint)
            + difference.translation_of(joint)
            - rest.rest_translation[joint]
            for joint in {*base.translations, *difference.translations}
        },
    )
