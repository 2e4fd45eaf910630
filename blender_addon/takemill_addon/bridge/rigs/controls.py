"""The controls of a rig whose body is held by constraints: which of them pose which joint, and how.

A joint's control carries the bone as one piece, and with it what hangs on the joint, or all that does not
(hips that hang on the spine's controls). Whatever else is carried, the pose of a control follows from its
joint's, and its channels from what carries it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array
from takemill.maths import quat

from .control_graph import Switch
from .own_layer import is_free
from .rig import Rig

MIN_LOCATION = 5e-4  # of the rig's size (0.9 mm of a person): less is not keyed as a location


@dataclass(frozen=True)
class Control:
    """A bone that is keyed.

    Attributes:
        bone: its name.
        joint: the number of the joint that it poses; -1 where it only carries the others.
        carrier: the number of the control that carries it; -1 for none.
        moves: whether its location is free.
        rotation, position: (4,) and (3,) its pose in armature space with nothing moved.
        is_base: whether it takes the whole body over the floor.
    """

    bone: str
    joint: int
    carrier: int
    moves: bool
    rotation: Array
    position: Array
    is_base: bool


@dataclass(frozen=True)
class ControlRig:
    """How a control rig is posed.

    Attributes:
        rig: the joints (K,) that have a control, as bones that hang on each other.
        parts: part -> bone, of those joints.
        controls: each after the one that carries it.
        joint_rotation, joint_position: (K, 4) and (K, 3) the joints in armature space with nothing moved.
        switches: how they must stand.
        others: bones beside the controls that move trunk or limbs too, and must rest.
        lacking: parts that no control moves by themselves; they are left alone.
    """

    rig: Rig
    parts: Mapping[str, str]
    controls: tuple[Control, ...]
    joint_rotation: Array
    joint_position: Array
    switches: Mapping[Switch, float]
    others: frozenset[str]
    lacking: tuple[str, ...]

    def is_free(self, control: Control) -> bool:
        """Whether a control poses what a character can move while its body does something else."""
        if control.joint < 0:
            return False
        bone = self.rig.names[control.joint]
        return any(is_free(part) for part, one in self.parts.items() if one == bone)


def solve(rig: ControlRig, rotation: Array, position: Array) -> tuple[Array, Array]:
    """The channels of the C controls for the joints' poses in armature space.

    rotation: (F, K, 4) and position: (F, K, 3) -> rotations (F, C, 4) and locations (F, C, 3), both 0 where
    nothing moves.
    """
    count = len(rotation)
    turned = np.empty((count, len(rig.controls), 4))
    at = np.empty((count, len(rig.controls), 3))
    away = quat.mul(
        rotation, quat.inv(rig.joint_rotation)
    )  # (F, K, 4): how each joint is turned from its rest
    for c, control in enumerate(rig.controls):
        if control.joint >= 0:
            turn = away[:, control.joint]
            offset = control.position - rig.joint_position[control.joint]
            at[:, c] = position[:, control.joint] + quat.rotate(turn, offset)
            turned[:, c] = quat.mul(turn, control.rotation)
    hips = rig.rig.names.index(rig.parts["hips"])
    for c, control in enumerate(rig.controls):
        if control.joint < 0:  # the mover goes where what it carries needs no location of its own
            turn = away[:, hips]
            carried = [k for k, one in enumerate(rig.controls) if one.carrier == c and one.joint >= 0]
            offsets = np.array([rig.controls[k].position - control.position for k in carried])
            at[:, c] = (at[:, carried] - quat.rotate(turn[:, None], offsets)).mean(axis=1)
            turned[:, c] = quat.mul(turn, control.rotation)
    rotations, locations = np.empty_like(turned), np.empty_like(at)
    for c, control in enumerate(rig.controls):
        before, place = (
            np.broadcast_to(control.rotation, (count, 4)),
            np.broadcast_to(control.position, (count, 3)),
        )
        if control.carrier >= 0:
            above = rig.controls[control.carrier]
            turn = quat.mul(turned[:, control.carrier], quat.inv(above.rotation))
            before = quat.mul(turn, control.rotation)
            place = at[:, control.carrier] + quat.rotate(turn, control.position - above.position)
        rotations[:, c] = quat.mul(quat.inv(before), turned[:, c])
        locations[:, c] = quat.rotate(quat.inv(before), at[:, c] - place)
    return rotations, locations
