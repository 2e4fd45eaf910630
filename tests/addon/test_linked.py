"""Linked armatures are refused with the way out; with a library override the fit is there after loading."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, poses
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def linked(tmp_path):
    """A suit, and a character that is linked from another file."""
    empty_scene(30)
    one = import_bvh(synthetic.idle(rate=30, scale=0.6, duration_s=1).motion, tmp_path, "mate", root=True)
    one.animation_data_clear()
    one.name = "mate"
    library = str(tmp_path / "library.blend")
    bpy.ops.wm.save_as_mainfile(filepath=library)
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=3).motion, tmp_path, "suit")
    takemill.map_body()
    with bpy.data.libraries.load(library, link=True) as (_, wanted):
        wanted.objects = ["mate"]
    (character,) = wanted.objects
    bpy.context.scene.collection.objects.link(character)
    stage.activate(bpy.context, suit)
    choose(character)
    return suit, character


WAY_OUT = r"mate is linked from another file, .* \(Object > Library Override > Make\)"


def test_a_linked_character_is_refused_and_nothing_changes(linked):
    _, character = linked
    before = set(bpy.data.actions.keys())
    with pytest.raises(RuntimeError, match=WAY_OUT):
        takemill.fit_take()
    assert set(bpy.data.actions.keys()) == before
    assert character.animation_data is None or character.animation_data.action is None


@pytest.mark.parametrize("name", ["map_body", "add_root_bone", "add_part"])
def test_its_body_is_not_mapped_either(linked, name):
    _, character = linked
    stage.activate(bpy.context, character)
    with pytest.raises(RuntimeError, match=WAY_OUT):
        getattr(takemill, name)()


def test_with_a_library_override_the_fit_plays_after_loading(linked, tmp_path):
    _, character = linked
    override = character.override_create(remap_local_usages=True)
    override.override_library.is_system_override = False
    assert bpy.context.scene.takemill.characters[0].armature == override
    stage.activate(bpy.context, linked[0])
    assert takemill.fit_take() == {"FINISHED"}
    frames = range(1, 60, 5)
    before = poses(override, frames)
    assert np.ptp(before[:, :, :3, 3], axis=0).max() > 0.2
    name, action = override.name, override.animation_data.action.name
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "shot.blend"))
    bpy.ops.wm.open_mainfile(filepath=str(tmp_path / "shot.blend"))
    there = next(one for one in bpy.data.objects if one.name == name and one.library is None)
    assert there.animation_data.action.name == action
    np.testing.assert_allclose(poses(there, frames), before, atol=1e-6)
