"""Root motion: what moves a body over the floor, apart from what it does on the spot.

The root track is a path on the floor and a heading; root track x in-place pose is the motion. "In place"
means that the inverse of the root track was applied to every joint without a parent.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, expect_finite, expect_positive, expect_shape, owned
from ..base.errors import InputError
from ..body import body_map
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..maths import filters, quat

MODES = ("keep", "root", "in_place")


@dataclass(frozen=True)
class RootMotionSettings:
    """Which parts of the body's path go into the root track.

    Attributes:
        planar: the path over the floor.
        turn: the heading.
        height: the rise and fall of the hips from their height in the first frame.
        smooth_hz: low-pass of the track, so that the hips keep their sway; 0 follows the hips exactly.
    """

    planar: bool = True
    turn: bool = True
    height: bool = False
    smooth_hz: float = 0.0


@dataclass(frozen=True)
class RootMotion:
    """A root track of F frames.

    Attributes:
        rate: frames per second.
        position: (F, 3) metres; z is 0 unless the height is part of the root motion.
        heading: (F,) radians, unwrapped, counter-clockwise about +Z.
    """

    rate: float
    position: Array
    heading: Array

    def __post_init__(self) -> None:
        expect_positive(self.rate, "root motion rate")
        for name, shape in (("position", (None, 3)), ("heading", (len(self.position),))):
            array = owned(getattr(self, name))
            expect_shape(array, shape, f"root motion {name}")
            expect_finite(array, f"root motion {name}")
            object.__setattr__(self, name, array)

    def __len__(self) -> int:
        return len(self.heading)

    def relative(self) -> RootMotion:
        """The same track seen from its own first frame: it starts at 0 with heading 0."""
        back = quat.from_yaw(-self.heading[0])
        return RootMotion(
            self.rate, quat.rotate(back, self.position - self.position[0]), self.heading - self.heading[0]
        )

    @property
    def distance_m(self) -> float:
        """Straight distance over the floor from the first frame to the last, metres."""
        return float(np.linalg.norm(self.position[-1, :2] - self.position[0, :2]))

    @property
    def path_m(self) -> float:
        """Length of the path over the floor, metres."""
        return float(np.linalg.norm(np.diff(self.position[:, :2], axis=0), axis=-1).sum())

    @property
    def turn_deg(self) -> float:
        """Turn from the first frame to the last, degrees, counter-clockwise."""
        return float(np.degrees(self.heading[-1] - self.heading[0]))

    @property
    def speed_m_s(self) -> float:
        """Distance per second."""
        return self.distance_m * self.rate / max(len(self) - 1, 1)


def find_root_motion(
    motion: Motion, body: BodyMap, settings: RootMotionSettings | None = None, loop: bool = False
) -> RootMotion:
    """The root track of `motion`, in model space.

    A smoothed track of a loop is smoothed around the seam: it leaves the last frame as it enters the first.
    Otherwise it starts and ends where the hips do, so that the next clip can go on from there.

    Raises:
        InputError: smooth_hz is negative or too high for the rate.
    """
    settings = settings or RootMotionSettings()
    hips = joint_in_model(motion, body.require("hips"))[1]
    position = np.zeros((len(motion), 3))
    if settings.planar:
        position[:, :2] = hips[:, :2]
    if settings.height:
        position[:, 2] = hips[:, 2] - hips[0, 2]
    heading = body_map.heading(motion, body) if settings.turn else np.zeros(len(motion))
    root_motion = RootMotion(motion.rate, position, heading)
    if settings.smooth_hz == 0 or len(motion) < 3:
        return root_motion
    return _smooth_loop(root_motion, settings.smooth_hz) if loop else _smooth(root_motion, settings.smooth_hz)


def _smooth(root_motion: RootMotion, cutoff_hz: float) -> RootMotion:
    track = np.concatenate([root_motion.position, root_motion.heading[:, None]], axis=1)
    track = filters.butterworth(track, root_motion.rate, cutoff_hz, order=2)
    return bend_to_ends(RootMotion(root_motion.rate, track[:, :3], track[:, 3]), root_motion)


def bend_to_ends(root_motion: RootMotion, other: RootMotion) -> RootMotion:
    """A track bent evenly over its F frames so that it starts and ends where another (F,) does."""
    part = np.linspace(0, 1, len(root_motion))[:, None]

    def bend(track: Array, to: Array) -> Array:
        gap = (to - track)[[0, -1]].reshape(2, -1)
        return np.asarray(track + ((1 - part) * gap[0] + part * gap[1]).reshape(track.shape))

    return RootMotion(
        root_motion.rate, bend(root_motion.position, other.position), bend(root_motion.heading, other.heading)
    )


def _smooth_loop(root_motion: RootMotion, cutoff_hz: float) -> RootMotion:
    """Smooth what is left beside the steady path from start to end; it repeats, so its spectrum is exact."""
    if not 0 < cutoff_hz < root_motion.rate / 2:
        raise InputError(f"smooth_hz: expected above 0 and below {root_motion.rate / 2:g}, got {cutoff_hz:g}")
    steady = steady_root_motion(root_motion)
    rest = quat.rotate(quat.from_yaw(-steady.heading), root_motion.position - steady.position)
    beside = np.concatenate([rest, (root_motion.heading - steady.heading)[:, None]], axis=1)[:-1]
    frequency = np.fft.rfftfreq(len(beside), 1 / root_motion.rate)
    gain = 1 / (1 + (frequency / cutoff_hz) ** 4)  # a second-order Butterworth run both ways
    beside = np.fft.irfft(np.fft.rfft(beside, axis=0) * gain[:, None], len(beside), axis=0)
    beside = np.concatenate([beside, beside[:1]])
    position = steady.position + quat.rotate(quat.from_yaw(steady.heading), beside[:, :3])
    return RootMotion(root_motion.rate, position, steady.heading + beside[:, 3])


def steady_root_motion(root_motion: RootMotion) -> RootMotion:
    """From the first frame to the last of a track at constant speed and turning speed: a line or an arc.

    Played on and on, cycle after cycle, it has no seam. Whole turns are left to the body, since no arc makes
    them.
    """
    return extend_steady(root_motion, 0, 0)


def extend_steady(root_motion: RootMotion, lead_in: int, lead_out: int) -> RootMotion:
    """The steady path of a track, from `lead_in` frames before its start to `lead_out` after its end.

    Each cycle goes on where, and with the heading that, the one before ended.
    """
    part = np.arange(-lead_in, len(root_motion) + lead_out) / max(len(root_motion) - 1, 1)
    turn = float(root_motion.heading[-1] - root_motion.heading[0])
    turn -= 2 * np.pi * np.round(turn / (2 * np.pi))
    # The arc's chord, from Euler's formula: c(u) = v (e^{i turn u} - 1) / (i turn), with c(1) = chord;
    # (e^{ia} - 1) = 2i sin(a / 2) e^{ia / 2} keeps its digits near 0.
    chord = complex(*(root_motion.position[-1, :2] - root_motion.position[0, :2]))
    bend = np.sin(turn * part / 2) / np.sin(turn / 2) if turn else part
    along = chord * bend * np.exp(0.5j * turn * (part - 1))
    rise = (root_motion.position[-1, 2] - root_motion.position[0, 2]) * part
    position = root_motion.position[0] + np.stack([along.real, along.imag, rise], axis=-1)
    if len(root_motion) > 1:
        position[lead_in + len(root_motion) - 1] = root_motion.position[-1]
    return RootMotion(root_motion.rate, position, root_motion.heading[0] + turn * part)


def without_root_motion(motion: Motion, root_motion: RootMotion) -> Motion:
    """The in-place pose: the inverse of the root track applied to every joint without a parent."""
    _expect_same_length(motion, root_motion)
    back = quat.from_yaw(-root_motion.heading)
    return _move_tops(motion, -quat.rotate(back, root_motion.position), back)


def with_root_motion(motion: Motion, root_motion: RootMotion) -> Motion:
    """Root track x in-place pose: the inverse of `without_root_motion`."""
    _expect_same_length(motion, root_motion)
    return _move_tops(motion, root_motion.position, quat.from_yaw(root_motion.heading))


def _move_tops(motion: Motion, shift: Array, turn: Array) -> Motion:
    """Every joint without a parent turned by (F, 4) about the origin, then shifted by (F, 3)."""
    rotations = motion.rotations.copy()
    for joint, parent in enumerate(motion.skeleton.parents):
        if parent < 0:
            rotations[:, joint] = quat.mul(turn, rotations[:, joint])
            track = shift + quat.rotate(turn, motion.translation_of(joint))
            motion = motion.with_translation(joint, track)
    return motion.with_rotations(rotations)


def _expect_same_length(motion: Motion, root_motion: RootMotion) -> None:
    if len(motion) != len(root_motion):
        raise InputError(
            f"root motion: a track of {len(root_motion)} frames does not fit a motion of {len(motion)}"
        )


def move_to_origin(motion: Motion, root_motion: RootMotion) -> tuple[Motion, RootMotion]:
    """The motion and its track moved as a whole so that the track starts at the origin with heading 0."""
    start = RootMotion(
        root_motion.rate,
        np.broadcast_to(root_motion.position[:1] * [1.0, 1.0, 0.0], root_motion.position.shape),
        np.broadcast_to(root_motion.heading[:1], root_motion.heading.shape),
    )
    back = quat.from_yaw(-root_motion.heading[0])
    position = quat.rotate(back, root_motion.position - start.position)
    return without_root_motion(motion, start), RootMotion(
        root_motion.rate, position, root_motion.heading - root_motion.heading[0]
    )


def apply_root_motion(motion: Motion, body: BodyMap, root_motion: RootMotion, mode: str) -> Motion:
    """The motion with its root motion kept on the body, put on the root joint, or removed.

    "keep" changes nothing. "root" moves the joint that is mapped as root along the track (or a new joint
    "root", as `add_root_joint` makes it), and nothing in model space moves. "in_place" removes the track; a
    mapped root joint rests.

    Raises:
        InputError: an unknown mode, or a track of another length.
    """
    if mode not in MODES:
        raise InputError(f"root motion mode {mode!r}: expected one of {', '.join(MODES)}")
    _expect_same_length(motion, root_motion)
    if mode == "keep":
        return motion
    if mode == "in_place":
        still = without_root_motion(motion, root_motion)
        if body.get("root") is None:
            return still
        return put_root_at_rest(still, body)
    if body.get("root") is None:
        motion, body = add_root_joint(motion, body)
    return _put_on_root(motion, body.require("root"), root_motion)


def put_root_at_rest(motion: Motion, body: BodyMap) -> Motion:
    """The same motion in model space with a mapped root joint at rest: the joints below it move instead.

    Poses must be mixed so: where two motions split their path differently between root joint and hips, the
    mean of both would lie on neither path.
    """
    root = body.get("root")
    if root is None:
        return motion
    count = len(motion)
    return _put_on_root(motion, root, RootMotion(motion.rate, np.zeros((count, 3)), np.zeros(count)))


def _put_on_root(motion: Motion, root: int, root_motion: RootMotion) -> Motion:
    """Joint `root` rests on the track; its children keep their places in model space."""
    skeleton = motion.skeleton
    rest_q, rest_p = (part[root] for part in skeleton.reference_model)
    turn = quat.from_yaw(root_motion.heading)
    new_q = quat.mul(turn, rest_q)
    new_p = root_motion.position + quat.rotate(turn, rest_p)
    rotations = motion.rotations.copy()
    parent = skeleton.parents[root]
    local_q, local_p = new_q, new_p
    if parent >= 0:
        local_q, local_p = _relative_transform(*joint_in_model(motion, parent), new_q, new_p)
    rotations[:, root] = local_q
    tracks = {0: motion.root_translation, **motion.translations, root: local_p}
    for child in skeleton.children[root]:
        rotations[:, child], tracks[child] = _relative_transform(new_q, new_p, *joint_in_model(motion, child))
    root_track = tracks.pop(0)
    return replace(motion, rotations=rotations, root_translation=root_track, translations=tracks)


def _relative_transform(q: Array, p: Array, other_q: Array, other_p: Array) -> tuple[Array, Array]:
    back = quat.inv(q)
    return quat.mul(back, other_q), quat.rotate(back, other_p - p)


def add_root_joint(motion: Motion, body: BodyMap) -> tuple[Motion, BodyMap]:
    """The motion under a new joint "root" at the origin, and its body map; unchanged when there is a root."""
    if body.get("root") is not None:
        return motion, body
    old = motion.skeleton
    name = "root"
    while name in old.names:
        name += "_root_motion"
    skeleton = old.under_root(name)
    frames = len(motion)
    rotations = np.concatenate([np.broadcast_to(quat.IDENTITY, (frames, 1, 4)), motion.rotations], axis=1)
    tracks = {joint + 1: track for joint, track in motion.translations.items()}
    tracks[1] = motion.root_translation
    joints = {"root": 0} | {part: joint + 1 for part, joint in body.joints.items()}
    rooted = Motion(skeleton, motion.rate, rotations, np.zeros((frames, 3)), tracks)
    return rooted, replace(body, joints=joints)
