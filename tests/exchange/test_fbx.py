"""FBX files beside a GLB, read back by Blender's importer, which shares no code with the exporter."""

from __future__ import annotations

import importlib.util
from dataclasses import replace

import numpy as np
import pytest

from blender_parties import play_fbx
from face_bodies import talking, with_face
from need import need
from odd_motion import NAMES, odd_motion
from takemill.base.errors import FileError
from takemill.body.motion import Motion
from takemill.files.fbx import find_exporter, write_fbx
from takemill.files.fbx_format import read_fbx
from takemill.files.glb import GlbClip, append_animations, skeleton_glb
from takemill.files.glb_axes import motions_in_gltf
from takemill.files.glb_read import GlbScene
from takemill.files.glb_read_skin import read_skinned
from takemill.keys.reduce import reduce_keys
from takemill.keys.weight_keys import weight_track
from takemill.maths import quat

FRAMES = 40
RATES = {"film": 30 / 1.001, "plain": 30.0, "fast": 60.0}
MOST_M = 1e-4  # the promise; measured: 0.0013 mm
Z_UP = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])


@pytest.fixture(scope="module")
def glb() -> bytes:
    """Odd joints, sparse keys, a face; one joint rests where Euler angles are worst."""
    clips = []
    for number, (name, rate) in enumerate(RATES.items()):
        motion = _bent_by_a_right_angle(odd_motion(FRAMES, rate, seed=number))
        (inside,) = motions_in_gltf([motion])
        face = talking(rate=rate, length_s=inside.duration_s)
        extras = {"name": name, "source": {}, "keys": {}, "rate": rate, "frames": FRAMES}
        weights = (weight_track(face, 1e-3),)
        clips.append(GlbClip(name, rate, inside.skeleton, reduce_keys(inside), extras, weights))
    return append_animations(with_face(skeleton_glb(motion.skeleton)), clips)


def _bent_by_a_right_angle(motion: Motion) -> Motion:
    """The motion, its joint "bent" within a thousandth of a degree of 90 about the middle axis of three."""
    joint, rest = NAMES.index("bent"), motion.skeleton.rest_rotation.copy()
    rest[joint] = quat.from_axis_angle(np.array([0.0, 1.0, 0.0]), np.pi / 2)
    tremble = np.random.default_rng(3).normal(scale=3e-5, size=(len(motion), 3))
    rotations = motion.rotations.copy()
    rotations[:, joint] = quat.mul(rest[joint], quat.exp(tremble))
    return replace(motion, skeleton=replace(motion.skeleton, rest_rotation=rest), rotations=rotations)


@pytest.fixture(scope="module")
def fbx(glb) -> dict[str, bytes]:
    need(importlib.util.find_spec("bpy"), "Blender's module")
    return write_fbx(glb, "odd.fbx", {f"{name}.fbx": [name] for name in RATES}, find_exporter())


def test_each_frame_is_where_the_glb_has_it(glb, fbx, tmp_path):
    """Joints, skinned vertices and weights of shapes, at 29.97, 30 and 60 frames per second.

    Source: Blender's importer (ufbx, MIT). The GLB is played by a reader of its own.
    """
    scene = GlbScene(glb, "odd.glb")
    mesh, nodes = read_skinned(scene), [scene.names.index(name) for name in NAMES]
    for name, rate in RATES.items():
        (tmp_path / "clip.fbx").write_bytes(fbx[f"{name}.fbx"])
        said = play_fbx(tmp_path / "clip.fbx", NAMES, FRAMES, tmp_path)
        assert said["rate"] == pytest.approx(rate, rel=1e-6)
        assert list(said["clips"]) == [name]
        found = said["clips"][name]
        worlds = scene.worlds(name, np.arange(FRAMES) / rate)
        want = worlds[:, nodes][..., :3, 3] @ Z_UP.T
        assert np.linalg.norm(np.array(found["joints"]) - want, axis=-1).max() < MOST_M
        held = worlds[:, [scene.names.index(joint) for joint in mesh.joints]] @ mesh.binds
        whole = np.append(mesh.points, np.ones((len(mesh.points), 1)), axis=1)
        skinned = np.einsum("vk,fvkij,vj->fvi", mesh.weights, held[:, mesh.slots], whole)[..., :3] @ Z_UP.T
        assert np.linalg.norm(np.array(found["points"]) - skinned, axis=-1).max() < MOST_M
        (curve,) = scene.weights[name]
        weights = [[frame[shape] for shape in curve.names] for frame in found["weights"]]
        times = np.arange(FRAMES) / rate
        played = np.stack([np.interp(times, curve.times, one) for one in curve.values.T], axis=1)
        assert np.ptp(played) > 0.1
        assert np.abs(np.array(weights) - played).max() < 1e-5


def test_the_head_says_rate_and_length(fbx):
    """30 / 1.001 has a time mode of its own in FBX, which programs read rather than times of keys."""
    for name, rate in RATES.items():
        said = read_fbx(fbx[f"{name}.fbx"], name)
        assert said.rate == pytest.approx(rate, rel=1e-12 if name != "film" else 1e-7)  # Blender's fraction
        assert said.clips == {name: pytest.approx((0.0, (FRAMES - 1) / rate), abs=1e-7)}


def test_the_same_clips_make_the_same_bytes(glb, fbx):
    assert write_fbx(glb, "odd.fbx", {"again.fbx": ["film"]}, find_exporter())["again.fbx"] == fbx["film.fbx"]


def test_what_blender_cannot_name_is_said_with_a_way_out():
    need(importlib.util.find_spec("bpy"), "Blender's module")
    (motion,) = motions_in_gltf([odd_motion()])
    names = tuple("j" * 300 if name == "hand" else name for name in NAMES)
    long = replace(motion, skeleton=replace(motion.skeleton, names=names))
    extras = {"name": "sway", "source": {}, "keys": {}, "rate": 30.0, "frames": len(motion)}
    clip = GlbClip("sway", 30.0, long.skeleton, reduce_keys(long), extras)
    bad = append_animations(skeleton_glb(replace(odd_motion().skeleton, names=names)), [clip])
    with pytest.raises(FileError, match=r"no bone .* for its joint; .* short names .* or leave FBX out"):
        write_fbx(bad, "odd.fbx", {"odd.fbx": ["sway"]}, find_exporter())
