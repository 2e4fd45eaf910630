"""Contacts of hands and body in Blender: listed, unticked, kept in a fit."""

from __future__ import annotations

import json
import re

import bpy
import numpy as np
import pytest

import hand_takes
import support_takes
from blender_scene import choose, empty_scene, import_bvh
from drawn import shown
from fit_bodies import BROAD, body
from fit_bodies import moved as moving
from panel_notes import drawn, words
from takemill.goals.goals import KINDS
from takemill_addon import panels
from takemill_addon.bridge.takes import recipe, stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def scene(tmp_path):
    """A performer that lays both hands on the floor, and a broad character."""
    empty_scene(60)
    take = hand_takes.floor(60.0)
    broad = import_bvh(moving(body(BROAD)[0], 1, 3, 0.0), tmp_path, "broad")
    takemill.map_body()
    broad.animation_data_clear()
    suit = import_bvh(take.motion, tmp_path, "suit")
    takemill.map_body()
    choose(broad)
    stage.activate(bpy.context, suit)
    return suit, broad


def hand_heights(armature: bpy.types.Object, frame: int) -> list[float]:
    bpy.context.scene.frame_set(frame)
    names = {one.name: one.bone for one in armature.takemill.parts}
    return [
        (armature.matrix_world @ armature.pose.bones[names[f"{side}Hand"]].head).z
        for side in ("left", "right")
    ]


def hip_height(armature: bpy.types.Object) -> float:
    names = {one.name: one.bone for one in armature.takemill.parts}
    return (armature.matrix_world @ armature.pose.bones[names["hips"]].head).z


def test_contacts_are_found_unticked_and_left_out(scene):
    suit, broad = scene
    action = suit.animation_data.action
    takemill.find_contacts()
    known = action.takemill
    names = [one.name for one in known.contacts]
    assert len(names) == 2
    assert all(name.endswith("s") and " on floor " in name for name in names)
    assert all(one.keep and one.off_mm == -1 for one in known.contacts)
    known.contacts[0].keep = False
    takemill.fit_take()
    assert [one.name for one in known.contacts] == names
    assert [one.keep for one in known.contacts] == [False, True]
    assert known.contacts[0].off_mm == -1
    assert 0 <= known.contacts[1].off_mm < 1
    middle = known.contacts[1].start + 90
    one_kept = hand_heights(broad, middle)
    stage.activate(bpy.context, broad)
    with pytest.raises(RuntimeError, match="is fitted; look for contacts in its take"):
        takemill.find_contacts()
    stage.activate(bpy.context, suit)
    known.contacts[0].keep = True
    takemill.fit_take()
    both_kept = hand_heights(broad, middle)
    assert all(one.off_mm < 1 for one in known.contacts)
    side = 0 if names[0].startswith("left") else 1
    assert abs(one_kept[side] - both_kept[side]) > 0.005


def test_a_characters_own_table_leaves_out_what_the_list_keeps(scene, tmp_path, capfd):
    """The list is the take's, for all characters; a name that no contact has is said."""
    suit, _ = scene
    takemill.find_contacts()
    known = suit.animation_data.action.takemill
    path = tmp_path / "r.toml"
    names = [known.contacts[0].name, "leftHand on head 9.00s"]
    path.write_text(f"[characters.broad.fit]\nwithout_goals = {json.dumps(names)}\n", encoding="utf-8")
    takemill.load_recipe(filepath=str(path))
    takemill.fit_take()
    assert [one.keep for one in known.contacts] == [True, True]
    assert known.contacts[0].off_mm == -1
    assert known.contacts[1].off_mm >= 0
    assert "broad: [fit] without_goals: no take has 'leftHand on head 9.00s'" in capfd.readouterr().out


def test_kinds_are_the_recipes(scene):
    chosen = bpy.context.scene.takemill
    assert recipe.recipe_of(bpy.context.scene).fit.goals == KINDS
    chosen.fit_goals = {"body", "hands"}
    assert recipe.recipe_of(bpy.context.scene).fit.goals == ("hands", "body")
    suit, _ = scene
    takemill.fit_take()
    assert all(one.off_mm == -1 for one in suit.animation_data.action.takemill.contacts)


def test_a_chair_is_listed_drawn_and_unticked(tmp_path):
    """The list names it, the view draws it with its height, and a fit without it has the hips elsewhere."""
    empty_scene(30)
    broad = import_bvh(moving(body(BROAD)[0], 1, 3, 0.0), tmp_path, "broad")
    takemill.map_body()
    broad.animation_data_clear()
    suit = import_bvh(support_takes.sit(30.0).motion, tmp_path, "suit")
    takemill.map_body()
    choose(broad)
    stage.activate(bpy.context, suit)
    takemill.find_contacts()
    (item,) = suit.animation_data.action.takemill.contacts
    assert (item.kind, item.part, item.on, item.keep) == ("support", "hips", "support", True)
    bpy.context.scene.frame_set(120)
    (label,) = shown("goals").labels
    assert re.fullmatch(rf"{item.name}: 4[45]\d mm over the floor", label.text)
    takemill.fit_take()
    assert 0 <= item.off_mm < 1
    hips = [hip_height(broad)]
    item.keep = False
    assert shown("goals").labels[0].text == f"{item.name}: not kept"
    takemill.fit_take()
    assert item.off_mm == -1
    assert abs(hip_height(broad) - hips[0]) > 0.002


def test_a_click_goes_to_the_first_frame(scene):
    suit, _ = scene
    takemill.find_contacts()
    known = suit.animation_data.action.takemill
    bpy.context.scene.frame_set(1)
    known.contact_index = 1
    assert bpy.context.scene.frame_current == known.contacts[1].start
    np.testing.assert_allclose(known.contacts[1].start, 60 * 1.8, atol=4)
    suit.animation_data.action.takemill.contacts[1].off_mm = 23.0
    said = words(drawn(panels.characters.TAKEMILL_PT_characters, suit, width=460))
    name = suit.animation_data.action.takemill.contacts[1].name
    assert f"{name}: 23 mm off in the last fit" in said, "the list may cut it off"
