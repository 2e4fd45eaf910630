"""Gaits in parts, shot lists and bad seams by the fields of the panel of cuts."""

from __future__ import annotations

import json
import re

import bpy
import pytest

import blender_scene
import small_takes
from gait_takes import start_and_stop
from takemill.shell import cli
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.takes.recipe import recipe_of

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
PARTS = ["walk_forward_start_01", "walk_forward_loop_01", "walk_forward_stop_01"]
JOINS = [("idle_01", PARTS[0]), (PARTS[0], PARTS[1]), (PARTS[1], PARTS[2]), (PARTS[2], "idle_01")]


@pytest.fixture
def gait(tmp_path, addon):
    """A walk from rest to rest as a file, and the same in Blender."""
    del addon  # first: the body is mapped by it
    motion = start_and_stop("walk")[0]
    path = small_takes.write(tmp_path, "gait.bvh", motion)
    blender_scene.empty_scene()
    return path, blender_scene.import_bvh(motion, tmp_path, "gait", root=True)


def cuts_of(armature):
    return armature.animation_data.action.takemill.cuts


def pack(folder) -> dict:
    bpy.context.scene.takemill.set_folder = str(folder)
    assert takemill.pack_set() == {"FINISHED"}
    return json.loads((folder / "clips.json").read_text(encoding="utf-8"))


def test_a_gait_in_parts_follows_on_as_in_the_shell(gait, tmp_path):
    path, armature = gait
    text = 'rate = 30\nneutral = "idle_01"\nblend_frames = 6\n[cuts]\ngaits = "parts"\n'
    (tmp_path / "r.toml").write_text(text)
    shell = tmp_path / "shell"
    assert cli.main(["pack", str(path), "--recipe", str(tmp_path / "r.toml"), "--out", str(shell)]) == 0
    assert takemill.load_recipe(filepath=str(tmp_path / "r.toml")) == {"FINISHED"}
    chosen = bpy.context.scene.takemill
    assert (chosen.cut_gaits, chosen.cut_neutral, chosen.cut_blend_frames) == ("parts", "idle_01", 6)
    assert takemill.repair_take() == {"FINISHED"}
    assert takemill.suggest_cuts() == {"FINISHED"}
    assert [one.name for one in cuts_of(armature)] == ["idle_01", *PARTS, "idle_02"]
    assert takemill.make_clips() == {"FINISHED"}
    said = pack(tmp_path / "blender")
    assert [one["blend_frames"] for one in said["clips"]] == [0, 6, 0, 6, 0]
    assert [(one["from"], one["to"]) for one in said["joins"]] == JOINS
    assert max(one["gap_cm"] for one in said["joins"]) < 0.05
    theirs = json.loads((shell / "clips.json").read_text(encoding="utf-8"))["joins"]
    for mine, other in zip(said["joins"], theirs, strict=True):
        assert (mine["foot"], mine["phase"]) == (other["foot"], pytest.approx(other["phase"], abs=1e-3))
    assert cli.main(["verify", str(tmp_path / "blender")]) == 0


def test_a_cut_of_ones_own_in_parts_and_a_loop_that_is_renamed(gait, tmp_path):
    _, armature = gait
    bpy.context.scene.takemill.cut_gaits = "whole"
    assert takemill.suggest_cuts() == {"FINISHED"}
    walk = cuts_of(armature)["walk_forward_01"]
    walk.name, walk.loop, walk.in_parts = "walk", False, True
    for other in cuts_of(armature):
        other.use = other.name == "walk"
    assert takemill.make_clips() == {"FINISHED"}
    assert [one.name for one in armature.takemill.clips] == ["walk_start", "walk_loop", "walk_stop"]
    bpy.context.scene.takemill.cut_gaits = "parts"
    assert takemill.suggest_cuts() == {"FINISHED"}
    cuts_of(armature)[PARTS[1]].name = "stroll"
    assert takemill.save_recipe(filepath=str(tmp_path / "saved.toml")) == {"FINISHED"}
    assert (tmp_path / "saved.toml").read_text().count('= "stroll"') == 3
    assert takemill.make_clips() == {"FINISHED"}
    walk = cuts_of(armature)["stroll"]
    walk.follows = PARTS[0]
    with pytest.raises(RuntimeError, match="loop and follows do not go together"):
        takemill.make_clips()


def test_a_blend_counts_with_a_neutral_clip_alone(gait):
    _, armature = gait
    chosen = bpy.context.scene.takemill
    chosen.cut_blend_frames = 4
    assert recipe_of(bpy.context.scene).blend_frames == 0
    assert takemill.suggest_cuts() == {"FINISHED"}
    for cut in cuts_of(armature):
        cut.use = cut.name in ("idle_01", PARTS[0])
    cuts_of(armature)[PARTS[0]].leads_to = ""
    chosen.cut_neutral = "idle"
    with pytest.raises(RuntimeError, match="neutral: there is no clip 'idle'"):
        takemill.make_clips()
    chosen.cut_neutral = "idle_01"
    assert recipe_of(bpy.context.scene).blend_frames == 4
    assert takemill.make_clips() == {"FINISHED"}
    record = ClipRecord.of_action(armature.takemill.clips[PARTS[0]].action)
    assert record.blend_frames == 4


def test_the_shot_list_names_the_cuts(gait):
    _, armature = gait
    bpy.context.scene.takemill.cut_shot_list = "calm,  walk to the pier ,"
    assert recipe_of(bpy.context.scene).cuts.shot_list == ("calm", "walk to the pier")
    assert takemill.suggest_cuts() == {"FINISHED"}
    assert "walk to the pier_loop" in [one.name for one in cuts_of(armature)]


@pytest.mark.parametrize("word", ["refuse", "one_shot", "keep"])
def test_bad_seams_go_the_way_of_their_field(gait, tmp_path, capfd, word):
    _, armature = gait
    bpy.context.scene.takemill.cut_gaits = "whole"
    assert takemill.suggest_cuts() == {"FINISHED"}
    bpy.context.scene.takemill.loop_bad_seam = word
    torn = cuts_of(armature)["walk_forward_01"]
    torn.name, torn.search = "torn", False
    torn.start, torn.end = torn.start + 100, torn.start + 150
    assert takemill.make_clips() == {"FINISHED"}
    said, made = capfd.readouterr().out, armature.takemill.clips
    assert ("torn" in made) == (word != "refuse")
    warned = re.search(r"Warning: torn is a one-shot, no loop: its seam, frames \d+ to \d+ .* is bad", said)
    assert bool(warned) == (word == "one_shot")
    assert ("one-shots, no loops: torn" in said) == (word == "one_shot")
    if word == "one_shot":
        said = {clip["name"]: clip["no_loop"] for clip in pack(tmp_path / "set")["clips"]}
        assert said.pop("torn").startswith("its seam, frames ")
        assert set(said.values()) == {None}
