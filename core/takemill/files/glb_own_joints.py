"""What an animation of a character's GLB plays on its joints, to be laid over what a take plays there.

Source: glTF 2.0, section 3.11 (animations).
"""

from __future__ import annotations

from functools import partial

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..clip.own_joints import OwnJoints, Played
from ..maths import quat
from .glb_curves import Curve, curves_of, played
from .glb_format import entries, parse
from .glb_numbers import Numbers
from .glb_rig import GlbRig, place_of

_LEAST_TURN, _LEAST_MOVE_M = 1e-4, 1e-5  # parts of a quaternion, and metres: less is seen by nobody (by eye)


def read_own_joints(
    data: bytes, rig: GlbRig, source: str, animation: str, offset_s: float = 0.0
) -> OwnJoints:
    """The joints that an animation moves, or holds away from their rest, `offset_s` later.

    Joints' scale is left out, and so are the topmost joints: they carry the body.

    Raises:
        GlbError: there is no such animation, or it is malformed.
    """
    document = parse(data)
    found = [one for one in entries(document.json, "animations") if one.get("name") == animation]
    if not found:
        raise GlbError(f"{source}: it holds no animation {animation!r}")
    curves = curves_of(document, Numbers(document), found[0], animation)
    nodes, at = entries(document.json, "nodes"), {node: joint for joint, node in enumerate(rig.nodes)}
    turns: dict[int, Played] = {}
    places: dict[int, Played] = {}
    for (node, path), curve in curves.items():
        joint = at.get(node, -1)
        if joint < 0 or rig.skeleton.parents[joint] < 0:
            continue
        rest = place_of(nodes[node])
        if path == "rotation" and _turns(curve, rest.rotation):
            turns[joint] = partial(_play, curve, offset_s, 1.0)
        elif path == "translation" and np.abs(curve.values - rest.translation).max() > _LEAST_MOVE_M:
            places[joint] = partial(_play, curve, offset_s, rig.above.scale)
    return OwnJoints(animation, turns, places)


def _turns(curve: Curve, rest: Array) -> bool:
    """Whether a channel turns a node, or holds it away from its rest (4,)."""
    near = np.where((curve.values * rest).sum(axis=1, keepdims=True) < 0, -curve.values, curve.values)
    return bool(np.abs(near - quat.normalize(rest)).max() > _LEAST_TURN)


def _play(curve: Curve, offset_s: float, scale: float, seconds: Array) -> Array:
    return np.asarray(scale * played(curve, np.asarray(seconds) - offset_s))
