"""A skeleton and a motion with everything that a writer may forget, from seeded random numbers."""

from __future__ import annotations

import numpy as np

from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

NAMES = ("hips", "bent", "at rest", "held", "knee Ä", "second root", "sliding", "hand")
PARENTS = (-1, 0, 1, 1, 3, -1, 5, 6)


def odd_skeleton(seed: int = 7) -> Skeleton:
    """Random rest offsets and rotations, two roots, three tips."""
    rng = np.random.default_rng(seed)
    return Skeleton(
        NAMES,
        PARENTS,
        rng.normal(scale=0.25, size=(len(NAMES), 3)),
        quat.normalize(rng.normal(size=(len(NAMES), 4))),
        (2, 4, 7),
        rng.normal(scale=0.1, size=(3, 3)),
    )


def odd_motion(frames: int = 40, rate: float = 29.97, seed: int = 8) -> Motion:
    """Smooth random turns; one joint at rest, one held aside, one that slides, a root that stays."""
    rng = np.random.default_rng(seed)
    skeleton = odd_skeleton()
    turns = np.cumsum(np.cumsum(rng.normal(scale=0.01, size=(frames, len(NAMES), 3)), 0), 0)
    rotations = quat.mul(skeleton.rest_rotation, quat.exp(turns))
    rotations[:, NAMES.index("at rest")] = skeleton.rest_rotation[NAMES.index("at rest")]
    rotations[:, NAMES.index("held")] = rotations[0, NAMES.index("hand")]
    walk = np.cumsum(rng.normal(scale=0.02, size=(frames, 3)), 0)
    slide = np.cumsum(rng.normal(scale=0.01, size=(frames, 3)), 0)
    return Motion(skeleton, rate, rotations, walk, {NAMES.index("sliding"): slide})
