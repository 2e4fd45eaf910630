"""Outside parties put the joints where the core does: within 0.1 mm, at random times of each clip."""

from __future__ import annotations

import importlib.util
import io
import json
import subprocess
import sys
from pathlib import Path

import numpy as np
import pygltflib
import trimesh

import node_parties
from glb_reader import Glb, z_up
from need import need

TOLERANCE_M = 1e-4


def test_the_khronos_validator_finds_nothing_to_say(played):
    """Not even infos or hints. Source: gltf-validator of the Khronos Group, from npm."""
    assert node_parties.validator_issues(played.data) == []


def test_three_js_plays_the_clips(played):
    """Slerp between keys. Source: three.js, GLTFLoader and AnimationMixer."""
    times = {clip: played.times(clip) for clip in played.motions}
    answer = node_parties.three_positions(played.data, times)
    for clip, want_times in times.items():
        got = z_up(answer[clip][:, : len(played.joints)])
        np.testing.assert_allclose(got, played.positions(clip, want_times), atol=TOLERANCE_M)


def test_pygltflib_reads_what_plain_matrices_play(played):
    """Container and JSON by pygltflib; slerp and kinematics by the tests' own player."""
    file = pygltflib.GLTF2.load_from_bytes(played.data)
    glb = Glb(json.loads(file.to_json()), file.binary_blob())
    for clip in played.motions:
        times = played.times(clip)
        got = glb.positions(clip, times, played.joints)
        np.testing.assert_allclose(got, played.positions(clip, times), atol=TOLERANCE_M)


def test_trimesh_finds_joints_at_rest_and_a_mesh_around_them(played):
    """Source: trimesh, its scene graph and mesh of a GLB."""
    scene = trimesh.load(io.BytesIO(played.data), file_type="glb")
    skeleton = next(iter(played.motions.values())).skeleton
    for joint, want in zip(skeleton.names, skeleton.rest_model[1], strict=True):
        np.testing.assert_allclose(z_up(scene.graph.get(joint)[0][:3, 3]), want, atol=TOLERANCE_M)
    (mesh,) = scene.geometry.values()
    points = np.concatenate([skeleton.rest_model[1], skeleton.rest_tips])
    low, high = z_up(mesh.vertices).min(axis=0), z_up(mesh.vertices).max(axis=0)
    assert (points > low - TOLERANCE_M).all()
    assert (points < high + TOLERANCE_M).all()


def test_blender_imports_the_clips(played, tmp_path):
    """On frames only: between them Blender runs quaternion components straight, where glTF slerps.

    Source: Blender's bundled glTF importer, in the bpy module.
    """
    need(importlib.util.find_spec("bpy"), "the bpy module")
    asked = {}
    for clip, motion in played.motions.items():
        fps = 30 if all(m.rate == 30 for m in played.motions.values()) else 60
        step = round(fps / motion.rate)
        frames = np.random.default_rng(5).choice(len(motion), min(30, len(motion)), replace=False)
        asked[clip] = (frames, [int(frame) * step for frame in frames])
    source, request, answer = (tmp_path / name for name in ("file.glb", "request.json", "answer.json"))
    source.write_bytes(played.data)
    clips = {clip: frames for clip, (_, frames) in asked.items()}
    request.write_text(json.dumps({"fps": fps, "joints": played.joints, "clips": clips}))
    script = Path(__file__).parent / "play_blender.py"
    done = subprocess.run(
        [sys.executable, str(script), str(source), str(request), str(answer)], capture_output=True, text=True
    )
    assert answer.exists(), done.stdout + done.stderr
    found = json.loads(answer.read_text())
    for clip, (frames, _) in asked.items():
        want = played.positions(clip, frames / played.motions[clip].rate)
        np.testing.assert_allclose(np.array(found[clip]), want, atol=TOLERANCE_M)


def test_reduced_clips_are_valid_and_stay_within_their_bound(reduced):
    """Sources as above: the Khronos validator, three.js, pygltflib. The bound is 1.5 mm.

    Three.js does not bring rounded rotations to unit length, which stretches bones by up to 0.006 %.
    """
    assert node_parties.validator_issues(reduced.data) == []
    times = {clip: reduced.times(clip) for clip in reduced.motions}
    answer = node_parties.three_positions(reduced.data, times)
    file = pygltflib.GLTF2.load_from_bytes(reduced.data)
    glb = Glb(json.loads(file.to_json()), file.binary_blob())
    for clip, want_times in times.items():
        by_three = z_up(answer[clip][:, : len(reduced.joints)])
        by_hand = glb.positions(clip, want_times, reduced.joints)
        np.testing.assert_allclose(by_three, by_hand, atol=6e-5)
        gaps = np.linalg.norm(by_three - reduced.positions(clip, want_times), axis=-1)
        assert 1e-5 < gaps.max() < 0.0015


def test_cubic_curves_are_valid_and_stay_within_their_bound(bent):
    """Sources: the Khronos validator, three.js, pygltflib. The bound is 1.5 mm, seen four times a frame."""
    assert node_parties.validator_issues(bent.data) == []
    file = pygltflib.GLTF2.load_from_bytes(bent.data)
    glb = Glb(json.loads(file.to_json()), file.binary_blob())
    kinds = [s.interpolation for a in file.animations for s in a.samplers]
    assert "CUBICSPLINE" in kinds
    times = {clip: np.arange(0, motion.duration_s, 0.25 / 120)[::7] for clip, motion in bent.motions.items()}
    answer = node_parties.three_positions(bent.data, times)
    for clip, want_times in times.items():
        by_three = z_up(answer[clip][:, : len(bent.joints)])
        by_hand = glb.positions(clip, want_times, bent.joints)
        np.testing.assert_allclose(by_three, by_hand, atol=6e-5)
        gaps = np.linalg.norm(by_hand - bent.positions(clip, want_times), axis=-1)
        assert 1e-5 < gaps.max() < 0.0015


def test_reduced_clips_keep_their_bound_four_times_a_frame(reduced):
    """Joints by pygltflib and the tests' own player, at four times the rate of each clip."""
    file = pygltflib.GLTF2.load_from_bytes(reduced.data)
    glb = Glb(json.loads(file.to_json()), file.binary_blob())
    for clip, motion in reduced.motions.items():
        times = (np.arange((len(motion) - 1) * 4 + 1) / 4 / motion.rate)[: 4 * 60]
        gaps = glb.positions(clip, times, reduced.joints) - reduced.positions(clip, times)
        assert np.linalg.norm(gaps, axis=-1).max() < 0.0015


def test_the_lock_of_the_node_packages_names_no_host():
    """So that `npm ci` asks whichever registry a machine is set to; .npmrc beside it keeps it so."""
    lock = json.loads((Path(__file__).parent / "package-lock.json").read_text())
    assert all("integrity" in entry for place, entry in lock["packages"].items() if place)
    assert not any("resolved" in entry for entry in lock["packages"].values())
