"""Chains of joints that swing, and what they cannot pass through, as VRMC_springBone 1.0 defines them.

Numbers mean what they mean in that specification at `STEP_S` a step, with lengths in metres and the world
Z-up: a joint's `stiffness` and `gravity` move its end by so many metres a second in each step, and `drag` is
the share of its speed that each step takes.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np

from ..base.checks import Array, owned
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.skeleton import Skeleton
from ..maths import quat

STEP_S = 1 / 60
"""The step that a chain's numbers are meant for. The specification counts in frames of the player and leaves
their rate open; a screen of 60 frames a second is what most players have (common practice, no source)."""

MAX_PULL = 100.0
"""How many times its bone's length the pull of stiffness or gravity may move an end in one step. At this one
the bone is within a hundredth of a radian of where it is pulled after a step: it no longer swings."""

_MIN_BONE_M = 1e-4  # a shorter bone has no direction to swing about (chosen by eye; a whisker's is 1 cm)
_DOWN = (0.0, 0.0, -1.0)  # in the core's axes


@dataclass(frozen=True)
class SpringJoint:
    """A joint that swings, and how.

    Attributes:
        joint: its index.
        end: (3,) where its bone ends, in the joint's own axes, metres.
        stiffness: the pull back to where the clip holds it; 0 or more.
        drag: the share of its speed that a step takes, 0 to 1.
        gravity: the pull along `gravity_dir`.
        gravity_dir: (3,) in the world, made unit.
        radius: of the ball at the bone's end that colliders push, metres.
    """

    joint: int
    end: Array
    stiffness: float = 1.0
    drag: float = 0.5
    gravity: float = 0.0
    gravity_dir: Array = field(default_factory=lambda: np.array(_DOWN))
    radius: float = 0.0

    def __post_init__(self) -> None:
        object.__setattr__(self, "end", owned(self.end))
        object.__setattr__(self, "gravity_dir", owned(self.gravity_dir))

    @property
    def length_m(self) -> float:
        """Of its bone, metres."""
        return float(np.linalg.norm(self.end))


@dataclass(frozen=True)
class SpringCollider:
    """What chains cannot pass through: a ball, a capsule or a plane that is carried by a joint.

    Insides and planes are those of VRMC_springBone_extended_collider 1.0.

    Attributes:
        name: of the collider.
        joint: that carries it.
        offset: (3,) its middle, or a capsule's first end, in the joint's own axes, metres.
        radius: metres; of a plane nothing.
        tail: (3,) a capsule's other end; None for a ball.
        inside: chains stay inside the ball or capsule instead of outside.
        normal: (3,) of a plane through `offset`, to the side where chains stay, in the joint's own axes; None
            for a ball or a capsule.
    """

    name: str
    joint: int
    offset: Array
    radius: float
    tail: Array | None = None
    inside: bool = False
    normal: Array | None = None

    def __post_init__(self) -> None:
        for name in ("offset", "tail", "normal"):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, owned(getattr(self, name)))

    @property
    def far_end(self) -> Array:
        """A capsule's other end, the tip of a plane's unit normal, or a ball's middle again (3,)."""
        if self.normal is not None:
            return np.asarray(self.offset + self.normal / np.linalg.norm(self.normal))
        return self.offset if self.tail is None else self.tail


@dataclass(frozen=True)
class SpringChain:
    """Joints that swing, each below the one before.

    Attributes:
        name: of the chain.
        joints: from the body outwards.
        colliders: names of those that push it, in the order in which they do.
        center: the joint against which its speed counts; None for the world.
    """

    name: str
    joints: tuple[SpringJoint, ...]
    colliders: tuple[str, ...] = ()
    center: int | None = None


@dataclass(frozen=True)
class Springs:
    """All chains and colliders of a character."""

    chains: tuple[SpringChain, ...] = ()
    colliders: tuple[SpringCollider, ...] = ()

    def names(self, skeleton: Skeleton) -> dict[str, tuple[str, ...]]:
        """By chain, the names of its joints that swing."""
        return {chain.name: tuple(skeleton.names[one.joint] for one in chain.joints) for chain in self.chains}


def expect_springs(springs: Springs, skeleton: Skeleton, body: BodyMap | None = None) -> None:
    """Insist on chains and colliders that can be simulated, before anything changes.

    Raises:
        InputError: a chain leaves the tree's order, shares a joint with another one, takes a part of the
            body, is too stiff to swing or has a bone without a length; or a collider has no size.
    """
    known = {collider.name: collider for collider in springs.colliders}
    for collider in springs.colliders:
        _expect_collider(collider, skeleton)
    owner: dict[int, str] = {}
    for chain in springs.chains:
        _expect_tree(chain, skeleton, body, owner)
        for one in chain.joints:
            _expect_joint(f"chain {chain.name!r}, joint {skeleton.names[one.joint]!r}", one)
        for name in chain.colliders:
            if name not in known:
                have = ", ".join(known) or "none"
                raise InputError(f"chain {chain.name!r}: there is no collider {name!r}; there are: {have}")
    _expect_no_circle(springs, skeleton)


def _expect_tree(chain: SpringChain, skeleton: Skeleton, body: BodyMap | None, owner: dict[int, str]) -> None:
    if not chain.joints:
        raise InputError(f"chain {chain.name!r}: it has no joint; name its first one")
    for place, one in enumerate(chain.joints):
        name = skeleton.names[one.joint]
        if one.joint in owner:
            other = owner[one.joint]
            where = "twice in it" if other == chain.name else f"in chain {other!r} too"
            raise InputError(
                f"chain {chain.name!r}: joint {name!r} is {where}; a joint swings once: let one of them end "
                "above it or begin below it"
            )
        owner[one.joint] = chain.name
        if skeleton.parents[one.joint] < 0:
            raise InputError(f"chain {chain.name!r}: joint {name!r} carries the body; begin below it")
        if place and chain.joints[place - 1].joint not in skeleton.path_to(one.joint):
            before = skeleton.names[chain.joints[place - 1].joint]
            raise InputError(
                f"chain {chain.name!r}: joint {name!r} does not hang below {before!r}; a branch is a chain "
                "of its own"
            )
        part = _part_of(body, one.joint)
        if part:
            raise InputError(
                f"chain {chain.name!r}: joint {name!r} is mapped to {part}, which the take moves; begin the "
                "chain below it, or correct the body map"
            )
    if chain.center is not None and chain.center not in skeleton.path_to(chain.joints[0].joint)[:-1]:
        raise InputError(
            f"chain {chain.name!r}: its center {skeleton.names[chain.center]!r} does not carry it; choose a "
            "joint above the chain"
        )


def _part_of(body: BodyMap | None, joint: int) -> str:
    """The part of a body that a joint plays and that no chain may take; "" for none."""
    if body is None:
        return ""
    found = (part for part, one in body.joints.items() if one == joint)
    return next((part for part in found if not part.startswith(("tail.", "prop."))), "")


def _expect_joint(who: str, one: SpringJoint) -> None:
    length = one.length_m
    if not length >= _MIN_BONE_M:
        raise InputError(f"{who}: its bone is {1000 * length:.3g} mm long; end the chain above it")
    if not 0 <= one.drag <= 1:
        raise InputError(f"{who}: drag {one.drag:g}; expected 0 to 1")
    if not (np.isfinite(one.radius) and one.radius >= 0):
        raise InputError(f"{who}: radius {one.radius:g}; expected 0 or more")
    most = MAX_PULL * length / STEP_S
    for name, value in (("stiffness", one.stiffness), ("gravity", abs(one.gravity))):
        if not (np.isfinite(value) and value >= 0):
            raise InputError(f"{who}: {name} {value:g}; expected a number from 0 on")
        if value > most:
            raise InputError(
                f"{who}: {name} {value:g} holds its bone of {100 * length:.1f} cm still; lower it (1 is"
                f" usual, at most {most:.0f} here), or leave the chain out"
            )
    if not np.linalg.norm(one.gravity_dir) > 0:
        raise InputError(f"{who}: gravity_dir has no direction; 0, 0, -1 is down")


def _expect_collider(one: SpringCollider, skeleton: Skeleton) -> None:
    who = f"collider {one.name!r}"
    if not 0 <= one.joint < len(skeleton):
        raise InputError(f"{who}: it names joint {one.joint} of {len(skeleton)}")
    if one.normal is not None:
        if one.tail is not None or one.inside:
            raise InputError(
                f"{who}: a plane has neither a tail nor an inside; leave the normal or these out"
            )
        if not np.linalg.norm(one.normal) > 0:
            raise InputError(f"{who}: its normal has no direction; 0, 0, 1 is along the joint's own Z axis")
    elif not (np.isfinite(one.radius) and one.radius > 0):
        raise InputError(f"{who}: its radius is {one.radius:g}, so it pushes nothing; give it one above 0")


def _expect_no_circle(springs: Springs, skeleton: Skeleton) -> None:
    """Refuse a collider that is carried by a chain which it pushes."""
    carried = {collider.name: skeleton.path_to(collider.joint) for collider in springs.colliders}
    for chain in springs.chains:
        for name in chain.colliders:
            if set(carried[name]) & {one.joint for one in chain.joints}:
                raise InputError(
                    f"chain {chain.name!r}: collider {name!r} is carried by the chain itself; put it on a "
                    "joint that does not swing"
                )
            swinging = {one.joint for other in springs.chains for one in other.joints}
            if set(carried[name]) & swinging:
                raise InputError(
                    f"chain {chain.name!r}: collider {name!r} is carried by another chain; put it on a joint "
                    "that does not swing"
                )


def joints_of(springs: Springs) -> tuple[int, ...]:
    """All joints that swing, chain by chain."""
    return tuple(one.joint for chain in springs.chains for one in chain.joints)


def chain_along(
    name: str, skeleton: Skeleton, joints: Sequence[int], last_end: Array | None = None
) -> SpringChain:
    """A chain of default springs along some joints, each bone ending where the next joint rests.

    Args:
        name: of the chain.
        skeleton: theirs.
        joints: from the body outwards; the last one swings too where it has an end.
        last_end: (3,) the last one's end in its own axes; None takes its tip, or lets it not swing.

    Raises:
        InputError: fewer than one of them would swing.
    """
    out = []
    for joint, below in pairwise(joints):
        out.append(SpringJoint(joint, rest_offset(skeleton, joint, below)))
    if joints:
        end = tip_of(skeleton, joints[-1]) if last_end is None else last_end
        if end is not None:
            out.append(SpringJoint(joints[-1], end))
    if not out:
        raise InputError(
            f"chain {name!r}: a single joint without an end cannot swing; name one that has a joint below it"
        )
    return SpringChain(name, tuple(out))


def rest_offset(skeleton: Skeleton, joint: int, below: int) -> Array:
    """Where a joint rests that hangs below another one, in the upper one's axes (3,), metres.

    Raises:
        InputError: it does not hang below it.
    """
    path = skeleton.path_to(below)
    if joint not in path[:-1]:
        raise InputError(
            f"joint {skeleton.names[below]!r} does not hang below {skeleton.names[joint]!r}; a branch is a "
            "chain of its own"
        )
    under = skeleton.part(path[path.index(joint) :])
    rotations, positions = under.reference_model
    from_upper = positions[-1] - positions[0]
    return np.asarray(quat.rotate(quat.inv(rotations[0]), from_upper))


def tip_of(skeleton: Skeleton, joint: int) -> Array | None:
    """The end of a joint's bone (3,) in its own axes, metres, where its file shows one; else None."""
    mine = np.asarray(skeleton.tip_joints, np.intp) == joint
    return skeleton.tip_offsets[mine].mean(axis=0) if mine.any() else None
