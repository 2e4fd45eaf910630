"""One motion written in many ways: other rest poses, axes, units, names, roots and channels.

Every form is the same motion in the world. A `Plain` is a motion as a BVH file knows it (no rest rotations,
whole local transforms); verbs turn one Plain into another; `bvh_text` writes it with SciPy's rotations and
shares nothing with our own writer.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial.transform import Rotation

from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.maths import kinematics, quat

# Metres per unit.
UNITS = {"m": 1.0, "cm": 0.01, "mm": 0.001, "inch": 0.0254, "foot": 0.3048}
# Z-up -> the file's axes, as matrices of right-handed axes.
AXES = {
    "Z": np.eye(3),
    "Y": np.array([[1, 0, 0], [0, 0, 1], [0, -1, 0.0]]),
    "X": np.array([[0, 0, 1], [1, 0, 0], [0, 1, 0.0]]),
    "-Y": np.array([[1, 0, 0], [0, 0, -1], [0, 1, 0.0]]),
    "-Z": np.array([[1, 0, 0], [0, -1, 0], [0, 0, -1.0]]),
    "-X": np.array([[0, 0, -1], [1, 0, 0], [0, -1, 0.0]]),
}


@dataclass(frozen=True)
class Plain:
    """A motion whose joints rest unturned; Z-up metres.

    Attributes:
        names, parents: (J,).
        offsets: (J, 3) at rest in the parent's space.
        tips: joint and (3,) in its space.
        rotations, translations: (F, J, 4) and (F, J, 3), local.
        moved: joints with position channels.
        came: (J,) the joint of the first motion that each one is; -1 for new ones.
        rate: frames a second.
    """

    names: tuple[str, ...]
    parents: tuple[int, ...]
    offsets: Array
    tips: tuple[tuple[int, Array], ...]
    rotations: Array
    translations: Array
    moved: frozenset[int]
    came: tuple[int, ...]
    rate: float

    def world(self) -> tuple[Array, Array]:
        return kinematics.model_from_local(self.parents, self.rotations, self.translations)


def plain(motion: Motion) -> Plain:
    """A motion with the rest pose that it has."""
    count = len(motion.skeleton)
    first = Plain(
        motion.skeleton.names,
        motion.skeleton.parents,
        motion.skeleton.rest_translation,
        tuple(zip(motion.skeleton.tip_joints, motion.skeleton.tip_offsets, strict=True)),
        motion.rotations,
        motion.local_translations(),
        frozenset({0, *motion.translations}),
        tuple(range(count)),
        motion.rate,
    )
    return resting(first, motion.skeleton.rest_model[0])


def resting(motion: Plain, pose: Array) -> Plain:
    """The motion in a skeleton that rests in a pose, given as model rotations (J, 4) of its joints."""
    above = np.stack([pose[p] if p >= 0 else quat.IDENTITY for p in motion.parents])
    back = quat.inv(pose)
    return replace(
        motion,
        offsets=quat.rotate(above, motion.offsets),
        tips=tuple((joint, quat.rotate(pose[joint], tip)) for joint, tip in motion.tips),
        rotations=quat.mul(above, quat.mul(motion.rotations, back)),
        translations=quat.rotate(above, motion.translations),
    )


# Rest poses: model rotations (J, 4) of joints that rest unturned ----------------------------------

Pose = Callable[[Plain, Mapping[str, int]], Array]


def _unturned(motion: Plain) -> Array:
    return np.tile(quat.IDENTITY, (len(motion.names), 1))


def _below(motion: Plain, joint: int) -> list[int]:
    out = [joint]
    for other in range(joint + 1, len(motion.parents)):
        if motion.parents[other] in out:
            out.append(other)
    return out


def _turn(axis: str, degrees: float) -> Array:
    return quat.from_axis_angle(np.eye(3)["xyz".index(axis)], np.radians(degrees))


def as_it_is(motion: Plain, parts: Mapping[str, int]) -> Array:
    del parts
    return _unturned(motion)


def random_turns(seed: int) -> Pose:
    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        del parts
        return quat.normalize(np.random.default_rng(seed).normal(size=(len(motion.names), 4)))

    return pose


def crumpled(seed: int, degrees: float = 60.0) -> Pose:
    """Each joint bent by up to so much against its parent."""

    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        del parts
        rng = np.random.default_rng(seed)
        local = quat.exp(np.radians(rng.uniform(-degrees, degrees, (len(motion.names), 3))) / np.sqrt(3) / 2)
        return kinematics.model_from_local(motion.parents, local, motion.offsets)[0]

    return pose


def along(axis: int = 0) -> Pose:
    """Every bone, to its first child or its tip, along one axis of the file."""

    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        del parts
        ways = dict(motion.tips)
        for joint in range(len(motion.names) - 1, 0, -1):
            if np.linalg.norm(motion.offsets[joint]) > 0:
                ways[motion.parents[joint]] = motion.offsets[joint]
        out = _unturned(motion)
        for joint, way in ways.items():
            out[joint] = quat.between(way, np.eye(3)[axis])
        return out

    return pose


def whole(axis: str, degrees: float) -> Pose:
    """The whole body turned: lying, upside down."""

    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        del parts
        return np.tile(_turn(axis, degrees), (len(motion.names), 1))

    return pose


def bent(degrees: Mapping[str, float], side: Array | None = None) -> Pose:
    """Some parts, with all below them, turned about the body's left: sitting, toes down."""

    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        at = kinematics.model_from_local(motion.parents, _unturned(motion), motion.offsets)[1]
        left = at[parts["leftUpperLeg"]] - at[parts["rightUpperLeg"]]
        left = left / np.linalg.norm(left) if side is None else side
        out = _unturned(motion)
        for part, turn in degrees.items():
            below = _below(motion, parts[part])
            out[below] = quat.mul(quat.from_axis_angle(left, np.radians(turn)), out[below])
        return out

    return pose


def flattened(axis: int) -> Pose:
    """Every bone turned the shortest way into a plane: a zero pose that is flat along an axis."""

    def pose(motion: Plain, parts: Mapping[str, int]) -> Array:
        del parts
        ways = dict(motion.tips)
        for joint in range(len(motion.names) - 1, 0, -1):
            ways[motion.parents[joint]] = motion.offsets[joint]
        out = _unturned(motion)
        for joint, way in ways.items():
            flat = np.where(np.arange(3) == axis, 0.0, way)
            if min(np.linalg.norm(flat), np.linalg.norm(way)) > 0:
                out[joint] = quat.between(way, flat)
        return out

    return pose


_SIDES = ("left", "right")
POSES: dict[str, Pose] = {
    "as it is": as_it_is,
    "random turns": random_turns(1),
    "crumpled": crumpled(2),
    "along +X": along(0),
    "along +Z": along(2),
    "lying on the back": whole("x", 90),
    "lying on the side": whole("y", 90),
    "upside down": whole("x", 180),
    "sitting": bent({f"{s}{p}": d for s in _SIDES for p, d in (("UpperLeg", -90), ("LowerLeg", 90))}),
    "toes down": bent({f"{s}Foot": 55.0 for s in _SIDES}),
    "flattened across": flattened(0),
    "flattened in depth": flattened(1),
}


# Roots and joints ---------------------------------------------------------------------------------


def under_root(motion: Plain, path: Array | None = None, turn: Array = quat.IDENTITY) -> Plain:
    """Below a new joint that is turned by `turn` (4,) for good, and goes `path` (F, 3) of the way."""
    frames = len(motion.rotations)
    path = np.zeros((frames, 3)) if path is None else path
    back = quat.inv(turn)
    root = np.broadcast_to(turn, (frames, 1, 4))
    rotations = np.concatenate([root, motion.rotations], axis=1)
    rotations[:, 1] = quat.mul(back, rotations[:, 1])
    translations = np.concatenate([path[:, None], motion.translations], axis=1)
    translations[:, 1] = quat.rotate(back, translations[:, 1] - path)
    return replace(
        motion,
        names=("Scene", *motion.names),
        parents=(-1, *(parent + 1 for parent in motion.parents)),
        offsets=np.concatenate([np.zeros((1, 3)), motion.offsets]),
        tips=tuple((joint + 1, tip) for joint, tip in motion.tips),
        rotations=rotations,
        translations=translations,
        moved=frozenset({0, *(joint + 1 for joint in motion.moved)}),
        came=(-1, *motion.came),
    )


def split_path(motion: Plain) -> Plain:
    """A root that goes over the floor and turns with nothing; the hips below it rise and fall."""
    return under_root(motion, motion.translations[:, 0] * [1.0, 1.0, 0.0])


def turned_world(motion: Plain, turn: Array, shift: Array = np.zeros(3)) -> Plain:  # noqa: B008
    """The whole take turned by the numbers of its root: the rest pose stays."""
    rotations, translations = motion.rotations.copy(), motion.translations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    translations[:, 0] = quat.rotate(turn, translations[:, 0]) + shift
    return replace(motion, rotations=rotations, translations=translations)


def inserted(motion: Plain, joint: int, name: str, inline: bool) -> Plain:
    """A joint that does not move, halfway to `joint`: in line, so that `joint` hangs on it, or beside."""
    frames, parent = len(motion.rotations), motion.parents[joint]
    half = motion.offsets[joint] / 2
    at = joint if inline else len(motion.names)
    place = [j if j < at else j + 1 for j in range(len(motion.names))]
    parents = [place[p] if p >= 0 else -1 for p in motion.parents]
    parents.insert(at, place[parent])
    offsets = np.insert(motion.offsets, at, half, axis=0)
    translations = np.insert(motion.translations, at, half, axis=1)
    if inline:
        parents[joint + 1] = at
        offsets[joint + 1] = half
        translations[:, joint + 1] = half
    still = np.broadcast_to(quat.IDENTITY, (frames, 4))
    return replace(
        motion,
        names=(*motion.names[:at], name, *motion.names[at:]),
        parents=tuple(parents),
        offsets=offsets,
        tips=tuple((place[j], tip) for j, tip in motion.tips),
        rotations=np.insert(motion.rotations, at, still, axis=1),
        translations=translations,
        moved=frozenset(place[j] for j in motion.moved),
        came=(*motion.came[:at], -1, *motion.came[at:]),
    )


def renamed(motion: Plain, style: str) -> Plain:
    """Other names: "nameless", "Japanese" or "spaced"."""
    if style == "nameless":
        names = [f"j{number}" for number in range(len(motion.names))]
    elif style == "Japanese":
        names = [f"関節{number}" for number in range(len(motion.names))]
    else:
        names = [f"Suit 01 {name}" for name in motion.names]
    return replace(motion, names=tuple(names))


# Writing ------------------------------------------------------------------------------------------


def bvh_text(
    motion: Plain,
    *,
    unit: str = "cm",
    up: str = "Y",
    order: str = "ZXY",
    places: str = "some",
    offsets: str = "rest",
) -> str:
    """The file.

    Args:
        motion: what to write.
        unit: of UNITS.
        up: of AXES.
        order: of the rotation channels.
        places: "some" joints have position channels, or "all".
        offsets: "rest"; "first" writes what the position channels say in frame 0; "zero" nothing at all.
    """
    axes, unit_m = AXES[up], UNITS[unit]
    count = len(motion.names)
    moved = set(range(count)) if places == "all" else motion.moved
    matrices = Rotation.from_quat(motion.rotations.reshape(-1, 4)[:, [1, 2, 3, 0]]).as_matrix()
    turned = Rotation.from_matrix(axes @ matrices @ axes.T)
    with warnings.catch_warnings():  # at the poles of Euler angles any of them will do
        warnings.simplefilter("ignore", UserWarning)
        angles = turned.as_euler(order, degrees=True).reshape(-1, count, 3)
    at = motion.translations @ axes.T / unit_m
    rest = motion.offsets @ axes.T / unit_m
    for joint in moved if offsets != "rest" else ():
        rest[joint] = at[0, joint] if offsets == "first" else 0.0
    lines, order_of_joints = ["HIERARCHY"], []

    def write(joint: int, depth: int) -> None:
        order_of_joints.append(joint)
        pad = "  " * depth
        lines.append(f"{pad}{'JOINT' if depth else 'ROOT'} {motion.names[joint]}")
        lines.append(pad + "{")
        lines.append(f"{pad}  OFFSET " + " ".join(f"{value:.9f}" for value in rest[joint]))
        names = [f"{axis}position" for axis in "XYZ"] if joint in moved else []
        names += [f"{axis}rotation" for axis in order]
        lines.append(f"{pad}  CHANNELS {len(names)} " + " ".join(names))
        for owner, tip in motion.tips:
            if owner == joint:
                end = " ".join(f"{value:.9f}" for value in axes @ tip / unit_m)
                lines.append(f"{pad}  End Site\n{pad}  {{\n{pad}    OFFSET {end}\n{pad}  }}")
        for child in range(count):
            if motion.parents[child] == joint:
                write(child, depth + 1)
        lines.append(pad + "}")

    for root in (joint for joint, parent in enumerate(motion.parents) if parent < 0):
        write(root, 0)
    columns = []
    for joint in order_of_joints:
        if joint in moved:
            columns.append(at[:, joint])
        columns.append(angles[:, joint])
    rows = np.concatenate(columns, axis=1)
    head = f"MOTION\nFrames: {len(rows)}\nFrame Time: {1 / motion.rate:.12g}\n"
    text = "\n".join(" ".join(f"{value:.8f}" for value in row) for row in rows.tolist())
    return "\n".join(lines) + "\n" + head + text + "\n"


def grown(motion: Plain, factor: float) -> Plain:
    """The same body and its way, so many times as large."""
    return replace(
        motion,
        offsets=motion.offsets * factor,
        tips=tuple((joint, tip * factor) for joint, tip in motion.tips),
        translations=motion.translations * factor,
    )


def without(motion: Plain, joints: set[int]) -> Plain:
    """The body without some joints and all below them; a bone to one of them ends in a tip."""
    gone = {below for joint in joints for below in _below(motion, joint)}
    kept = [joint for joint in range(len(motion.names)) if joint not in gone]
    place = {old: new for new, old in enumerate(kept)}
    tips = [(place[joint], tip) for joint, tip in motion.tips if joint in place]
    tips += [
        (place[motion.parents[j]], motion.offsets[j]) for j in sorted(joints) if motion.parents[j] in place
    ]
    return replace(
        motion,
        names=tuple(motion.names[j] for j in kept),
        parents=tuple(place.get(motion.parents[j], -1) for j in kept),
        offsets=motion.offsets[kept],
        tips=tuple(tips),
        rotations=motion.rotations[:, kept],
        translations=motion.translations[:, kept],
        moved=frozenset(place[j] for j in motion.moved if j in place),
        came=tuple(motion.came[j] for j in kept),
    )


def beside(motion: Plain, shift: Array) -> Plain:
    """Two bodies in one file: the motion, and below a second root the same again elsewhere."""
    count = len(motion.names)
    moved = motion.translations.copy()
    moved[:, 0] += shift
    return replace(
        motion,
        names=(*motion.names, *(f"other {name}" for name in motion.names)),
        parents=(*motion.parents, *(p + count if p >= 0 else -1 for p in motion.parents)),
        offsets=np.concatenate([motion.offsets, motion.offsets]),
        tips=(*motion.tips, *((joint + count, tip) for joint, tip in motion.tips)),
        rotations=np.concatenate([motion.rotations, motion.rotations], axis=1),
        translations=np.concatenate([motion.translations, moved], axis=1),
        moved=frozenset({*motion.moved, *(joint + count for joint in motion.moved)}),
        came=(*motion.came, *([-1] * count)),
    )
