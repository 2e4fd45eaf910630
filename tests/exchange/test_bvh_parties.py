"""BVH files with Blender at the other end: its importer reads ours, we read those of its exporter."""

from __future__ import annotations

from collections.abc import Iterator

import bpy
import numpy as np
import pytest

import open_data
from takemill.body.body_map import find_body_map, rest_facing
from takemill.body.motion import Motion
from takemill.files.bvh import BvhLayout, read_bvh, write_bvh

# The importer leaves the file that it reads to the garbage collector.
pytestmark = pytest.mark.filterwarnings(
    "ignore::ResourceWarning", "ignore::pytest.PytestUnraisableExceptionWarning"
)


@pytest.fixture(autouse=True)
def own_scene() -> Iterator[None]:
    """A scene of the test's own; what is made in it goes with it."""
    before, kept = bpy.context.window.scene, set(bpy.data.objects)
    bpy.context.window.scene = bpy.data.scenes.new("parties")
    yield
    for made in set(bpy.data.objects) - kept:
        bpy.data.objects.remove(made)
    bpy.data.scenes.remove(bpy.context.window.scene)
    bpy.context.window.scene = before


def heads(armature: bpy.types.Object, names: tuple[str, ...], frames: int) -> np.ndarray:
    """World positions (F, J, 3) of the bones' heads, as Blender evaluates them."""
    out = np.empty((frames, len(names), 3))
    for frame in range(frames):
        bpy.context.scene.frame_set(frame + 1)  # the importer begins at 1 at the earliest
        for joint, name in enumerate(names):
            out[frame, joint] = armature.matrix_world @ armature.pose.bones[name].head
    return out


def imported(path, scale: float, **axes: str) -> bpy.types.Object:
    bpy.ops.import_anim.bvh(
        filepath=str(path), frame_start=1, global_scale=scale, update_scene_duration=True, **axes
    )
    return bpy.context.view_layer.objects.active


@pytest.mark.parametrize("order", ["ZXY", "XYZ", "YZX"])
@pytest.mark.parametrize(("unit_m", "up"), [(0.01, "Y"), (1.0, "Z")])
def test_blender_reads_what_we_write(order, unit_m, up, tmp_path):
    """Every bone's head in every frame, on a reference motion with two end sites at each foot."""
    motion = open_data.humanoid3d("kick")[0]
    turns = tuple(f"{letter}rotation" for letter in order)
    places = ("Xposition", "Yposition", "Zposition")
    channels = tuple(places + turns if parent < 0 else turns for parent in motion.skeleton.parents)
    write_bvh(tmp_path / "kick.bvh", motion, BvhLayout(channels, unit_m, up))
    axes = {"axis_forward": "-Z", "axis_up": "Y"} if up == "Y" else {"axis_forward": "Y", "axis_up": "Z"}
    armature = imported(tmp_path / "kick.bvh", unit_m, **axes)
    wanted = motion.model()[1]
    np.testing.assert_allclose(heads(armature, motion.skeleton.names, len(motion)), wanted, atol=2e-5)


@pytest.mark.parametrize("number", [0, 1])
def test_blender_and_we_read_a_file_alike(number):
    """The example files of bvhtoolbox, through Blender's importer and through ours."""
    path = open_data.bvh_files()[number]
    motion, layout = read_bvh(path)
    assert (layout.up, layout.unit_m) == ("Y", 0.01)
    armature = imported(path, 0.01)
    frames = min(40, len(motion))
    np.testing.assert_allclose(
        heads(armature, motion.skeleton.names, frames), motion.model()[1][:frames], atol=2e-5
    )


def test_we_read_what_blender_writes(tmp_path):
    """Blender exports in its own axes and units: Z up, metres. Both are found, and the motion with them."""
    motion = open_data.humanoid3d("walk")[0]
    write_bvh(tmp_path / "ours.bvh", motion)
    armature = imported(tmp_path / "ours.bvh", 0.01)
    scene = bpy.context.scene
    scene.render.fps, scene.render.fps_base = 30, 1.0
    wanted = heads(armature, motion.skeleton.names, len(motion))
    bpy.ops.export_anim.bvh(filepath=str(tmp_path / "blender.bvh"), frame_start=1, frame_end=len(motion))
    again, layout = read_bvh(tmp_path / "blender.bvh")
    assert (layout.up, layout.unit_m, again.rate, len(again)) == ("Z", 1.0, 30.0, len(motion))
    order = [again.skeleton.index(name) for name in motion.skeleton.names]
    np.testing.assert_allclose(again.model()[1][:, order], wanted, atol=1e-4)
    body = find_body_map(again.skeleton)
    assert body.names(again.skeleton) == find_body_map(motion.skeleton).names(motion.skeleton)
    assert np.degrees(rest_facing(again.skeleton, body)) == pytest.approx(90.0, abs=0.1)


def test_a_take_without_tips_can_be_imported(tmp_path):
    """A joint without children or tips is written with an end site of no length, which BVH demands."""
    motion = open_data.humanoid3d("walk")[0]
    skeleton = motion.skeleton
    bare = type(skeleton)(skeleton.names, skeleton.parents, skeleton.rest_translation, skeleton.rest_rotation)
    motion = Motion(bare, motion.rate, motion.rotations, motion.root_translation)
    write_bvh(tmp_path / "bare.bvh", motion)
    armature = imported(tmp_path / "bare.bvh", 0.01)
    wanted = motion.model()[1]
    np.testing.assert_allclose(heads(armature, bare.names, len(motion)), wanted, atol=2e-5)
