"""What a set's clips play of their character's own on single joints: the file against what the list says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ..files.glb_read import GlbScene

_MIN_REACH_M = 0.02  # the skin that a joint's keys are measured on lies this far from it, or further
_MAX_ROUNDING_DEG = 0.1  # what float32 leaves of an angle near 0, by its cosine: 0.03


def own_joint_problems(clip: Mapping[str, Any], scene: GlbScene) -> Iterator[str]:
    """Whether joints that play their character's own turn as far from their rest as the list says."""
    nodes = {scene.names[node]: node for node in (*range(len(scene.names)), *scene.joints)}
    turns = {one.node: one.values for one in scene.curves[clip["name"]] if one.path == "rotation"}
    most = np.degrees(clip["keys"]["max_error_mm"] / 1000 / _MIN_REACH_M) + _MAX_ROUNDING_DEG
    for name, listed in clip["own_joints"].items():
        node = nodes.get(name)
        if node is None:
            yield f"the file has no joint {name!r}, which plays its character's own"
            continue
        rest = scene.rest_of(node)[:3, :3]
        rest = rest / np.linalg.norm(rest, axis=0)
        values = turns.get(node)
        played = 0.0
        if values is not None:
            x, y, z, w = (values / np.linalg.norm(values, axis=1, keepdims=True)).T
            # The trace of the turn from rest, by the entries of a rotation matrix of a quaternion.
            matrix = np.array([
                [1 - 2 * (y * y + z * z), 2 * (x * y - z * w), 2 * (x * z + y * w)],
                [2 * (x * y + z * w), 1 - 2 * (x * x + z * z), 2 * (y * z - x * w)],
                [2 * (x * z - y * w), 2 * (y * z + x * w), 1 - 2 * (x * x + y * y)],
            ])  # fmt: skip
            cosine = (np.einsum("ij,ijt->t", rest, matrix) - 1) / 2
            played = float(np.degrees(np.arccos(np.clip(cosine, -1, 1))).max())
        if abs(played - listed["turn_deg"]) > most:
            yield (
                f"joint {name!r} turns {played:.2f} degrees from its rest, the list says "
                f"{listed['turn_deg']:g}"
            )
