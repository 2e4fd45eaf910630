"""Characters that no take can be fitted to: one message with a way out, and nothing has changed."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def pair(tmp_path):
    """A suit that walks, and a character that plays something."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=3).motion, tmp_path, "suit")
    takemill.map_body()
    one = import_bvh(synthetic.idle(rate=30, scale=0.6, duration_s=1).motion, tmp_path, "mate", root=True)
    one.name = "mate"
    choose(one)
    stage.activate(bpy.context, suit)
    return suit, one


def cut_bones(one, words) -> None:
    stage.activate(bpy.context, one)
    bpy.ops.object.mode_set(mode="EDIT")
    for bone in [bone for bone in one.data.edit_bones if any(word in bone.name for word in words)]:
        one.data.edit_bones.remove(bone)
    bpy.ops.object.mode_set(mode="OBJECT")
    one.takemill.parts.clear()


def scale(one, *factors) -> None:
    one.scale = factors
    bpy.context.view_layer.update()


def unmap(one, part: str) -> None:
    one.takemill.parts[part].bone = ""


def hang_from(one, parent: str, *factors) -> None:
    above = bpy.data.objects.new(parent, None)
    bpy.context.scene.collection.objects.link(above)
    one.parent, above.scale = above, factors
    bpy.context.view_layer.update()


BAD = {
    "no legs": lambda one: cut_bones(one, ("leg", "foot", "toes")),
    "no bones": lambda one: cut_bones(one, ("",)),
    "hips unmapped": lambda one: unmap(one, "hips"),
    "a leg unmapped": lambda one: unmap(one, "leftLowerLeg"),
    "scaled unevenly": lambda one: scale(one, 1, 1, 2),
    "mirrored": lambda one: scale(one, -1, 1, 1),
    "below a mirrored parent": lambda one: hang_from(one, "quay", -1, 1, 1),
    "of no size": lambda one: scale(one, 0, 0, 0),
}
WAY_OUT = {
    "no legs": "armature 'mate': body map: found no hips with two legs .* name the parts by hand",
    "no bones": "armature 'mate': it has no bones",
    "hips unmapped": "armature 'mate': body map: no joint is mapped to 'hips'; name one by hand",
    "a leg unmapped": "armature 'mate': body map: no joint is mapped to 'leftLowerLeg'; name one by hand",
}
"""The messages; of the others it is that the scale is to be applied."""


def everything(one):
    return (
        {action.name: keys_of(action) for action in bpy.data.actions},
        one.animation_data and one.animation_data.action,
        [(part.name, part.bone) for part in one.takemill.parts],
        [np.array(bone.matrix_basis).tolist() for bone in one.pose.bones],
        [item.name for item in bpy.context.view_layer.objects if item.select_get()],
        bpy.context.view_layer.objects.active.name,
        bpy.context.scene.frame_current_final,
        sorted(bpy.data.scenes.keys()),
        {action.name: len(action.takemill.contacts) for action in bpy.data.actions},
    )


@pytest.mark.parametrize("name", BAD)
def test_a_bad_character_is_refused_and_nothing_changes(pair, name):
    suit, one = pair
    BAD[name](one)
    stage.activate(bpy.context, suit)
    before = everything(one)
    with pytest.raises(
        RuntimeError, match=WAY_OUT.get(name, "its scale is mirrored or differs between axes; apply it")
    ):
        takemill.fit_take()
    assert everything(one) == before


def test_a_refusal_leaves_no_step_to_undo(pair):
    suit, one = pair
    scale(one, 1, 1, 2)
    bpy.ops.ed.undo_push(message="before")
    suit_name = suit.name
    with pytest.raises(RuntimeError, match="apply it"):
        takemill.fit_take("EXEC_DEFAULT", True)
    bpy.data.objects[suit_name].location.x = 3.0
    bpy.ops.ed.undo_push(message="after")
    bpy.ops.ed.undo()
    assert bpy.data.objects[suit_name].location.x == 0.0
    assert bpy.data.objects["mate"].scale.z == 2.0


@pytest.mark.usefixtures("pair")
def test_a_character_without_a_mesh_is_fitted_and_said(capfd):
    assert takemill.fit_take() == {"FINISHED"}
    assert "mate has no mesh: its soles are taken from its bones' ends" in capfd.readouterr().out
