"""Our appended animation against the bundled glTF exporter's own, with every bone sampled."""

from __future__ import annotations

import contextlib
import io

import bpy
import numpy as np
import pytest

from blender_scene import empty_scene, odd_rig, place, random_take, skinned_cloth
from glb_clips import clip_of
from glb_reader import read_glb
from takemill.files import glb
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.rigs.export_rig import export_rig


def bundled(path, **options) -> bytes:
    with contextlib.redirect_stdout(io.StringIO()):
        bpy.ops.export_scene.gltf(filepath=str(path), export_format="GLB", use_selection=True, **options)
    return path.read_bytes()


def ours(armature, action) -> bytes:
    take = read_take(bpy.context, armature, action)
    inside = take.frame.armature_motion(take.motion, take.rig.skeleton)
    clip = clip_of(action.name, inside)
    return glb.append_animations(export_rig(bpy.context, armature), [clip])


@pytest.mark.parametrize("fps", [(30, 1.0), (24, 1.0)])
def test_appended_clip_equals_the_bundled_exporter(tmp_path, fps):
    """Source: Blender's bundled io_scene_gltf2, export_force_sampling, no size optimisation."""
    empty_scene(*fps)
    rig = odd_rig(20, seed=11)
    place(rig)
    skinned_cloth(rig)
    action = random_take(rig, 30, start=0)
    mine = read_glb(ours(rig, action))
    for item in bpy.data.objects:
        item.select_set(True)
    theirs = read_glb(
        bundled(tmp_path / "b.glb", export_animation_mode="ACTIONS", export_optimize_animation_size=False)
    )
    assert [a["name"] for a in mine.json["animations"]] == [a["name"] for a in theirs.json["animations"]]
    assert mine.duration_s("take") == pytest.approx(29 / fps[0], abs=1e-6)
    assert theirs.duration_s("take") == pytest.approx(29 / fps[0], abs=1e-6)
    for frame in range(30):
        a, b = (file.locals_at("take", frame / fps[0]) for file in (mine, theirs))
        for bone in rig.data.bones:
            p, q = a[mine.node(bone.name)], b[theirs.node(bone.name)]
            np.testing.assert_allclose(p[:3, 3], q[:3, 3], atol=1e-5)
            turn = p[:3, :3].T @ q[:3, :3]
            axis = np.array([turn[2, 1] - turn[1, 2], turn[0, 2] - turn[2, 0], turn[1, 0] - turn[0, 1]]) / 2
            assert np.linalg.norm(axis) < 1e-5  # the sine of the angle between them
            assert np.trace(turn) > 2.9


def test_the_rig_is_exported_as_it_stands(tmp_path):
    """All but the animations equals the bundled file of the same objects, skinned meshes at the top."""
    empty_scene()
    rig = odd_rig(12, seed=12)
    place(rig)
    skinned_cloth(rig)
    stray = bpy.data.objects.new("stray", None)
    bpy.context.scene.collection.objects.link(stray)
    action = random_take(rig, 5, start=0)
    for item in bpy.data.objects:
        item.select_set(item.name == "stray")
    mine = read_glb(ours(rig, action))
    assert [item.name for item in bpy.context.selected_objects] == ["stray"]
    for item in (rig, bpy.data.objects["cloth"]):
        item.select_set(True)
    stray.select_set(False)
    theirs = read_glb(bundled(tmp_path / "b.glb", export_animations=False))
    for key in ("skins", "meshes", "accessors", "materials"):
        assert mine.json.get(key, [])[: len(theirs.json.get(key, []))] == theirs.json.get(key, []), key
    cloth, suit = (
        next(i for i, n in enumerate(mine.json["nodes"]) if n["name"] == x) for x in ("cloth", "suit")
    )
    assert mine.json["scenes"][0]["nodes"] == [*theirs.json["scenes"][0]["nodes"], cloth]
    theirs.json["nodes"][suit]["children"].remove(cloth)
    assert mine.json["nodes"] == theirs.json["nodes"]


def test_the_exported_file_keeps_time_at_29_97():
    empty_scene(30, 1.001)
    rig = odd_rig(4, seed=13)
    mine = read_glb(ours(rig, random_take(rig, 30, start=0)))
    assert mine.duration_s("take") == pytest.approx(29 * 1.001 / 30, abs=1e-6)
