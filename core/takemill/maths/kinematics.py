"""From local to model space and back, for any tree of joints given by its parents.

Local: in the parent joint's space. Model: in the space that a root joint is placed in (Z-up metres).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.checks import Array
from . import quat


def model_from_local(parents: Sequence[int], rotations: Array, translations: Array) -> tuple[Array, Array]:
    """Forward kinematics.

    Args:
        parents: (J,) index of each joint's parent, before the joint itself; -1 for a root.
        rotations: (..., J, 4) local.
        translations: (..., J, 3) local, metres; the leading axes broadcast.

    Returns:
        Model rotations (..., J, 4) and positions (..., J, 3), metres.
    """
    lead = np.broadcast_shapes(rotations.shape[:-2], translations.shape[:-2])
    count = len(parents)
    out_q, out_p = np.empty((count, *lead, 4)), np.empty((count, *lead, 3))
    for joint, parent in enumerate(parents):
        if parent < 0:
            out_q[joint], out_p[joint] = rotations[..., joint, :], translations[..., joint, :]
        else:
            out_q[joint] = quat.mul(out_q[parent], rotations[..., joint, :])
            out_p[joint] = out_p[parent] + quat.rotate(out_q[parent], translations[..., joint, :])
    return np.moveaxis(out_q, 0, -2), np.moveaxis(out_p, 0, -2)


def local_from_model(parents: Sequence[int], rotations: Array, positions: Array) -> tuple[Array, Array]:
    """The inverse of `model_from_local`: (..., J, 4) and (..., J, 3) in, the same shapes out."""
    out_q, out_p = rotations.copy(), positions.copy()
    for joint, parent in enumerate(parents):
        if parent >= 0:
            back = quat.inv(rotations[..., parent, :])
            out_q[..., joint, :] = quat.mul(back, rotations[..., joint, :])
            out_p[..., joint, :] = quat.rotate(back, positions[..., joint, :] - positions[..., parent, :])
    return out_q, out_p
