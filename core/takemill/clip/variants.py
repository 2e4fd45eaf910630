"""Clips made from clips: faster or slower, or as a difference to be added to others."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.errors import InputError
from ..body.motion import Motion
from ..maths import quat


def subtract_motion(motion: Motion, reference: Motion) -> Motion:
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
