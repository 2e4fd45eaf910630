"""What the panels of check, repair and cuts say, drawn on a layout that takes notes."""

from __future__ import annotations

import bpy
import pytest

import corrupt
import reference_poses
import synthetic
from blender_scene import empty_scene, import_bvh
from panel_notes import alarms, buttons, drawn, words
from takemill.recipe.recipe import read_recipe
from takemill_addon.panels.cuts import TAKEMILL_PT_cuts
from takemill_addon.panels.repair import TAKEMILL_PT_check, TAKEMILL_PT_repair

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def suit(tmp_path):
    empty_scene(60)
    armature = import_bvh(corrupt.corrupt(synthetic.walk(rate=60, steps=6).motion, 5).motion, tmp_path)
    takemill.map_body()
    return armature


def test_the_repair_panel_says_what_a_session_owes_its_performer(suit):
    """The caution that the project's design asks for."""
    said = words(drawn(TAKEMILL_PT_repair, suit))
    for part in ("clear the space", "spot falls and kicks", "straps loose", "stop on pain or dizziness",
                 "no medical assessment", "local rules and a licensed professional come first"):  # fmt: skip
        assert part in said


def test_a_preview_that_is_behind_its_settings_is_marked_and_can_be_renewed(suit):
    assert "takemill.repair_take" in buttons(drawn(TAKEMILL_PT_repair, suit))
    takemill.preview_repair()
    panel = drawn(TAKEMILL_PT_repair, suit)
    assert alarms(panel) == ""
    assert buttons(panel)["takemill.preview_repair"] == "Preview Again"
    assert "takemill.repair_take" not in buttons(panel)
    bpy.context.scene.takemill.repair_pin = False
    panel = drawn(TAKEMILL_PT_repair, suit)
    assert alarms(panel) == "The settings were changed since this preview was made."
    assert any(icon == "ERROR" and alert for _, _, icon, alert in panel.rows)
    assert buttons(panel)["takemill.preview_repair"] == "Renew Preview"
    takemill.preview_repair()
    assert alarms(drawn(TAKEMILL_PT_repair, suit)) == ""


def test_limits_are_explained_and_what_they_miss_is_said(suit):
    scene, chosen = bpy.context.scene, bpy.context.scene.takemill
    assert "Feet are pinned" not in words(drawn(TAKEMILL_PT_repair, suit))
    chosen.repair_frames = "PREVIEW"
    assert "no preview range" in alarms(drawn(TAKEMILL_PT_repair, suit))
    scene.use_preview_range = True
    panel = drawn(TAKEMILL_PT_repair, suit)
    assert alarms(panel) == ""
    assert "Feet are pinned only in these frames. Drift and floor move the whole take" in words(panel)
    chosen.repair_bones = "SELECTED"
    for bone in suit.pose.bones:
        (bone if hasattr(bone, "select") else bone.bone).select = False
    assert "No bone is selected" in alarms(drawn(TAKEMILL_PT_repair, suit))
    bone = suit.pose.bones["head"]
    (bone if hasattr(bone, "select") else bone.bone).select = True
    assert "only in these frames and with both feet selected" in words(drawn(TAKEMILL_PT_repair, suit))


def test_where_the_path_comes_from_is_a_field_that_a_preview_follows(suit):
    rows = drawn(TAKEMILL_PT_repair, suit).rows
    assert ("repair_path_from", "", "NONE", False) in rows
    assert ("", "Path From", "NONE", False) in rows
    takemill.preview_repair()
    bpy.context.scene.takemill.repair_path_from = "auto"
    assert alarms(drawn(TAKEMILL_PT_repair, suit)) == "The settings were changed since this preview was made."


def test_a_repaired_take_says_that_it_is(suit):
    takemill.repair_take()
    assert "repaired already" in words(drawn(TAKEMILL_PT_repair, suit))


def test_a_check_shows_measures_and_findings(suit):
    assert words(drawn(TAKEMILL_PT_check, suit)) == ""  # just the buttons
    takemill.check_take()
    panel = drawn(TAKEMILL_PT_check, suit)
    assert "Spikes, joint frames" in words(panel)
    assert "before" not in words(panel)
    assert any(name == "TAKEMILL_UL_findings" for name, *_ in panel.rows)
    known = suit.animation_data.action.takemill
    first = {one.kind: k for k, one in reversed(list(enumerate(known.findings)))}
    known.finding_index = first["floor_offset"]
    assert "The feet stand" in words(drawn(TAKEMILL_PT_check, suit))
    known.finding_index = first["spike"]
    assert f"{known.findings[first['spike']].joint} jumps off" in words(drawn(TAKEMILL_PT_check, suit))
    takemill.repair_take()
    assert "before after" in words(drawn(TAKEMILL_PT_check, suit))


def test_a_pose_is_offered_as_a_trim_of_the_take_and_of_a_cut(tmp_path):
    empty_scene(120)
    suit = import_bvh(reference_poses.take_with_pose({})[0], tmp_path)
    takemill.map_body()
    takemill.add_cut()
    cut = suit.animation_data.action.takemill.cuts[0]
    cut.start, cut.end = 1, 400
    assert "takemill.trim_pose" not in buttons(drawn(TAKEMILL_PT_repair, suit))
    assert "takemill.trim_cut" not in buttons(drawn(TAKEMILL_PT_cuts, suit))
    takemill.check_take()
    assert "takemill.trim_pose" in buttons(drawn(TAKEMILL_PT_repair, suit))
    panel = drawn(TAKEMILL_PT_cuts, suit)
    assert "takemill.trim_cut" in buttons(panel)
    assert "This cut contains a T or A pose" in alarms(panel)
    takemill.trim_cut()
    assert "takemill.trim_cut" not in buttons(drawn(TAKEMILL_PT_cuts, suit))


def test_a_pose_of_ones_own_has_a_field_which_is_the_recipes_key(suit, tmp_path):
    """Read as the shell reads --same-pose; what is no four times is said, and repairs nothing."""
    chosen = bpy.context.scene.takemill
    assert any(name == "repair_same_pose_s" for name, *_ in drawn(TAKEMILL_PT_repair, suit).rows)
    takemill.preview_repair()
    chosen.repair_same_pose_s = "0, 0.4 3.1 3.5"
    assert alarms(drawn(TAKEMILL_PT_repair, suit)) == "The settings were changed since this preview was made."
    takemill.preview_repair()
    found = [one for one in suit.animation_data.action.takemill.findings if one.kind == "reference_pose"]
    assert [one.message.startswith("between the reference poses at 0.2 and 3.3 s") for one in found] == [True]
    takemill.drop_repair()
    saved = tmp_path / "saved.toml"
    assert takemill.save_recipe(filepath=str(saved)) == {"FINISHED"}
    assert read_recipe(saved).repair.same_pose_s == ((0.0, 0.4), (3.1, 3.5))
    chosen.repair_same_pose_s = ""
    assert takemill.load_recipe(filepath=str(saved)) == {"FINISHED"}
    assert chosen.repair_same_pose_s == "0.0 0.4 3.1 3.5"
    for wrong in ("0 0.4", "0 0.4 3.1 x", "0 0.4 3.1 inf"):
        chosen.repair_same_pose_s = wrong
        assert "expected the start and the stop of two stretches" in alarms(drawn(TAKEMILL_PT_repair, suit))
        with pytest.raises(RuntimeError, match="expected the start and the stop of two stretches"):
            takemill.preview_repair()


def test_a_preview_is_behind_when_the_profile_was_changed(suit):
    takemill.preview_repair()
    bpy.context.scene.takemill.repair_profile = "cleaned"
    assert alarms(drawn(TAKEMILL_PT_repair, suit)) == "The settings were changed since this preview was made."
