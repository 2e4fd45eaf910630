"""The files that outside parties read: open reference motions and an odd skeleton."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
import pytest

import open_data
from glb_clips import clip_of
from odd_motion import odd_motion
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files.glb import append_animations, skeleton_glb
from takemill.keys.reduce import ReduceSettings, Track, dense_tracks, reduce_keys
from takemill.maths import quat


@dataclass(frozen=True)
class Case:
    """A GLB and the motions that it must play."""

    data: bytes
    motions: dict[str, Motion]

    @property
    def joints(self) -> tuple[str, ...]:
        return next(iter(self.motions.values())).skeleton.names

    def times(self, clip: str, seed: int = 11) -> np.ndarray:
        """Thirty random times of a clip and its two ends, seconds."""
        duration = self.motions[clip].duration_s
        return np.concatenate([[0, duration], np.random.default_rng(seed).uniform(0, duration, 30)])

    def positions(self, clip: str, times_s: np.ndarray) -> np.ndarray:
        """What the core's own forward kinematics says (T, J, 3), Z-up metres."""
        motion = self.motions[clip]
        return motion.sampled(times_s * motion.rate, motion.rate).model()[1]


def case(motions: dict[str, Motion], keys: Callable[[Motion], tuple[Track, ...]] = dense_tracks) -> Case:
    skeleton = next(iter(motions.values())).skeleton
    clips = [clip_of(name, motion, keys) for name, motion in motions.items()]
    return Case(append_animations(skeleton_glb(skeleton), clips), motions)


def with_root(motion: Motion) -> Motion:
    """The same motion on a skeleton with a joint above, which takes the root motion along the ground."""
    old = motion.skeleton
    names = ("root_motion", *old.names)
    parents = (-1, *(parent + 1 for parent in old.parents))
    skeleton = Skeleton(
        names,
        parents,
        np.concatenate([np.zeros((1, 3)), old.rest_translation]),
        np.concatenate([quat.IDENTITY[None], old.rest_rotation]),
        tuple(joint + 1 for joint in old.tip_joints),
        old.tip_offsets,
    )
    root_motion = motion.root_translation * [1, 1, 0]
    still = np.broadcast_to(quat.IDENTITY, (len(motion), 1, 4))
    return Motion(
        skeleton,
        motion.rate,
        np.concatenate([still, motion.rotations], axis=1),
        root_motion,
        {1: motion.root_translation - root_motion},
    )


def _case_of(name: str) -> Case:
    if name == "odd skeleton":
        return case({"sway": odd_motion(rate=30.0), "stumble": replace(odd_motion(seed=3), rate=60.0)})
    motions = {clip: open_data.humanoid3d(clip)[0] for clip in ("walk", "run", "punch", "kick")}
    return case(motions if name == "humanoid" else {clip: with_root(m) for clip, m in motions.items()})


@pytest.fixture(scope="session", params=["humanoid", "humanoid with a root joint", "odd skeleton"])
def played(request: pytest.FixtureRequest) -> Case:
    return _case_of(request.param)


@pytest.fixture(scope="session")
def reduced() -> Case:
    """Sparse keys on shared times, rotations as integers of 16 bits and, for short levers, of 8."""
    motions = {
        "walk": open_data.humanoid3d("walk")[0].resampled(120),
        "jump": open_data.humanoid3d("jump")[0],
    }
    small = {name: _with_fingers(motion) for name, motion in motions.items()}
    found: list[Track] = []

    def keys(motion: Motion) -> tuple[Track, ...]:
        tracks = reduce_keys(motion, ReduceSettings(max_error_m=0.0015, max_error_deg=3.0))
        found.extend(tracks)
        return tracks

    made = case(small, keys)
    assert {track.storage for track in found} == {"float32", "int16", "int8"}
    return made


@pytest.fixture(scope="session")
def bent() -> Case:
    """Cubic curves, of 16 bits where slopes are gentle and of floats where they are not."""
    walk = open_data.humanoid3d("walk")[0].resampled(120)
    seconds = np.arange(len(walk))[:, None, None] / 120
    waves = 0.2 * np.sin([2.0, 3.0, 2.5] * seconds + np.arange(len(walk.skeleton))[:, None])
    sway = replace(walk, rotations=quat.mul(walk.skeleton.rest_rotation, quat.exp(waves)))
    settings = ReduceSettings(max_error_m=0.0015, max_error_deg=3.0, interpolation="cubic")
    found: list[Track] = []

    def keys(motion: Motion) -> tuple[Track, ...]:
        tracks = reduce_keys(motion, settings)
        found.extend(tracks)
        return tracks

    made = case({"walk": walk, "sway": sway}, keys)
    cubic = [track for track in found if track.slopes is not None]
    assert {track.storage for track in cubic if track.path == "rotation"} == {"float32", "int16"}
    return made


def _with_fingers(motion: Motion) -> Motion:
    """The same motion with a waving finger joint on each wrist."""
    old = motion.skeleton
    wrists = [old.index(f"{side}_wrist") for side in ("left", "right")]
    skeleton = Skeleton(
        (*old.names, "left_finger", "right_finger"),
        (*old.parents, *wrists),
        np.concatenate([old.rest_translation, [[0, 0, 0.08], [0, 0, 0.08]]]),
        np.concatenate([old.rest_rotation, [quat.IDENTITY] * 2]),
        (*old.tip_joints, len(old), len(old) + 1),
        np.concatenate([old.tip_offsets, [[0, 0, 0.02], [0, 0, 0.02]]]),
    )
    seconds = np.arange(len(motion)) / motion.rate
    turn = quat.from_axis_angle(np.array([0.3, 1.0, 0.2]), np.sin(5 * seconds))
    waves = np.stack([turn, quat.inv(turn)], axis=1)
    rotations = np.concatenate([motion.rotations, waves], axis=1)
    return Motion(skeleton, motion.rate, rotations, motion.root_translation)
