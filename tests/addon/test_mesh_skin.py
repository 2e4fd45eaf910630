"""The meshes of the samples as arrays: from the open file, and from the GLB that it exports."""

from __future__ import annotations

import re
from pathlib import Path

import bpy
import numpy as np
import pytest
from scipy.spatial import cKDTree

from blender_scene import choose
from takemill.base.checks import Array
from takemill.body.body_map import find_body_map
from takemill.files.glb_rig import read_rig
from takemill.files.glb_skin import read_skin
from takemill.shape.body_shape import body_shape
from takemill.shape.skin import Skin
from takemill_addon.bridge.rigs import mesh_skin
from takemill_addon.bridge.rigs.export_rig import export_rig
from takemill_addon.bridge.rigs.rig import ArmatureFrame
from takemill_addon.bridge.rigs.rig import read_rig as read_bones

SAMPLE = Path(__file__).parents[2] / "sample_blends" / "marsh_ferry.blend"


@pytest.fixture(scope="module", autouse=True)
def opened(addon):  # noqa: ARG001 (registered first)
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    yield
    bpy.ops.wm.read_factory_settings(use_empty=True)


def held(skin: Skin, names: tuple[str, ...], order: list[str]) -> Array:
    """Each vertex (V, 3 + B): where it lies, and how much it hangs on each of some bones."""
    weights = np.zeros((len(skin.points), len(names)))
    np.add.at(weights, (np.arange(len(weights))[:, None], skin.joints), skin.weights)
    return np.c_[skin.points, weights[:, [names.index(name) for name in order]]]


@pytest.mark.parametrize("name", ["Ferrywoman", "Courier", "Lamplighter"])
def test_the_mesh_is_the_same_in_blender_and_in_its_glb(name):
    armature = bpy.data.objects[name]
    bones, frame = read_bones(armature), ArmatureFrame.of(armature).standing
    here = mesh_skin.skin_of(armature, bones, frame)
    glb = export_rig(bpy.context, armature)
    rig = read_rig(glb, name)
    there = read_skin(glb, rig, name)
    assert len(here.points) > 500
    assert len(here.triangles) == len(there.triangles)
    both = sorted({*bones.names} & {*rig.skeleton.names})
    one, other = held(here, bones.names, both), held(there, rig.skeleton.names, both)
    assert cKDTree(one).query(other)[0].max() < 1e-4
    assert cKDTree(other).query(one)[0].max() < 1e-4
    shapes = []
    for skeleton, skin in ((frame.world_skeleton(bones.skeleton), here), (rig.skeleton, there)):
        shape = body_shape(skeleton, find_body_map(skeleton), skin)
        a, b = shape.placed(*skeleton.rest_model)
        heavy = np.argsort(shape.radius)[-10:]
        shapes.append((a[heavy], b[heavy], shape.radius[heavy]))
        assert all(shape.from_mesh)
    np.testing.assert_allclose(shapes[0][2], shapes[1][2], atol=6e-3)  # quads may be cut the other way


def test_fit_clears_arms_by_the_mesh_and_says_how_deep_they_lay(capsys):
    """The same action without: forearms stay as they point; the depth is said once, for the first."""
    suit, scene = bpy.data.objects["Suit"], bpy.context.scene
    bpy.context.view_layer.objects.active = suit
    bpy.ops.takemill.map_body()
    choose(bpy.data.objects["Ferrywoman"])
    said = []
    for clear in (True, False):
        bpy.context.view_layer.objects.active = suit
        scene.takemill.fit_clear_arms = clear
        capsys.readouterr()
        assert bpy.ops.takemill.fit_take() == {"FINISHED"}
        said.append(capsys.readouterr().out)
    assert re.search(
        r"Ferrywoman: arms lay up to \d\d+ mm deep in the body, in \d+ % of the frames; ", said[0]
    )
    assert "mm deep" not in said[1]
