"""What a list says of joints that play their character's own."""

from __future__ import annotations

import numpy as np

from ..maths import quat
from ..pipeline.finish_clip import FinishedClip


def describe_own_joints(clip: FinishedClip) -> dict[str, dict[str, float]]:
    """By joint, how far it turns from its rest at most, degrees, and how far it goes from it, metres."""
    motion, skeleton = clip.motion, clip.motion.skeleton
    said = {}
    for joint in clip.own_joints:
        turn = quat.mul(quat.inv(skeleton.rest_rotation[joint]), motion.rotations[:, joint])
        away = motion.translation_of(joint) - skeleton.rest_translation[joint]
        said[skeleton.names[joint]] = {
            "turn_deg": round(float(np.degrees(quat.angle(turn).max())), 3) + 0.0,
            "move_m": round(float(np.linalg.norm(away, axis=-1).max()), 4) + 0.0,
        }
    return said
