"""An additive clip laid over a base: the inverse of what the engine makes."""

from __future__ import annotations

from dataclasses import replace

from takemill.body.motion import Motion
from takemill.maths import quat


def added(base: Motion, difference: Motion) -> Motion:
    """`additive` undone: the difference laid over a base of the same length."""
    assert base.skeleton.names == difference.skeleton.names
    assert len(base) == len(difference)
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
