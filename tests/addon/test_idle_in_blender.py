"""Idles of any length in Blender: suggested with fidgets, made as the shell makes them, kept with Actions."""

from __future__ import annotations

import json

import bpy
import numpy as np
import pytest

import blender_scene
from idle_takes import known_idle
from takemill.files.bvh import write_bvh
from takemill.recipe.recipe import read_recipe
from takemill.shell import cli
from takemill_addon.bridge.clips.clip_record import ClipRecord

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def calm(tmp_path, addon):
    """22 s of calm with an arm that is raised once, in Blender and as a file."""
    del addon
    motion = known_idle(3, 22.0, rate=30.0, fidgets=(9.0,)).motion
    write_bvh(tmp_path / "calm.bvh", motion)
    blender_scene.empty_scene(30)
    blender_scene.import_bvh(motion, tmp_path, "calm", root=True)
    return tmp_path / "calm.bvh"


def cuts():
    return bpy.context.view_layer.objects.active.animation_data.action.takemill.cuts


@pytest.mark.usefixtures("calm")
def test_an_idle_and_its_fidget_are_added_to_the_list():
    assert takemill.suggest_idle(length_s=20.0, seed=2) == {"FINISHED"}
    idle, fidget = cuts()
    assert (idle.name, idle.kind, idle.loop, idle.of_length) == ("idle", "idle", True, True)
    assert (round(idle.length_s, 3), idle.seed, idle.root_motion) == (20.0, 2, "in_place")
    assert (fidget.name, fidget.kind, fidget.loop) == ("fidget_01", "gesture", False)
    assert (fidget.follows, fidget.leads_to) == ("idle", "idle")
    assert takemill.suggest_idle(length_s=10.0, fidgets=False) == {"FINISHED"}
    assert [cut.name for cut in cuts()] == ["idle", "fidget_01", "idle_02"]


@pytest.mark.usefixtures("calm")
def test_the_preview_range_is_where_calm_is_looked_for():
    scene = bpy.context.scene
    scene.use_preview_range = True
    scene.frame_preview_start, scene.frame_preview_end = 20, 240
    assert takemill.suggest_idle(length_s=12.0) == {"FINISHED"}
    (idle,) = cuts()
    assert (idle.start, idle.end) == (20, 240)
    scene.frame_preview_end = 40
    with pytest.raises(RuntimeError, match="nowhere in its range does the body rest on both feet"):
        takemill.suggest_idle()
    assert len(cuts()) == 1


def test_blender_and_shell_make_the_same_idle(calm, tmp_path):
    """And the record that is kept with its Action says how it was put together."""
    assert takemill.repair_take() == {"FINISHED"}
    assert takemill.suggest_idle(length_s=16.0, seed=1) == {"FINISHED"}
    assert takemill.save_recipe(filepath=str(tmp_path / "saved.toml")) == {"FINISHED"}
    spec = read_recipe(tmp_path / "saved.toml").clips[0]
    assert (spec.length_s, spec.seed, spec.kind) == (16.0, 1, "idle")
    assert takemill.make_clips() == {"FINISHED"}
    record = ClipRecord.of_action(bpy.data.actions["idle"])
    assert record.idle is not None
    assert len(record.idle.joins) == len(record.stretches)
    bpy.context.scene.takemill.set_folder = str(tmp_path / "blender")
    assert takemill.pack_set() == {"FINISHED"}
    args = ["pack", str(calm), "--recipe", str(tmp_path / "saved.toml"), "--out", str(tmp_path / "shell")]
    assert cli.main(args) == 0
    lists = [json.loads((tmp_path / one / "clips.json").read_text()) for one in ("blender", "shell")]
    for ours, theirs in zip(lists[0]["clips"], lists[1]["clips"], strict=True):
        assert ours["name"] == theirs["name"]
        assert ours["frames"] == theirs["frames"]
        assert ours["source"]["stretches"] == theirs["source"]["stretches"]
    idles = [one["clips"][0]["idle"] for one in lists]
    assert idles[0]["parts"] == idles[1]["parts"]
    assert np.abs(idles[0]["join_jerk"] - idles[1]["join_jerk"]) < 0.1
    assert cli.main(["verify", str(tmp_path / "blender")]) == 0


@pytest.mark.usefixtures("calm")
def test_a_cut_that_asks_for_no_length_is_a_plain_loop():
    assert takemill.suggest_idle(length_s=16.0, fidgets=False) == {"FINISHED"}
    cuts()[0].of_length = False
    cuts()[0].end = 240
    assert takemill.make_clips() == {"FINISHED"}
    assert ClipRecord.of_action(bpy.data.actions["idle"]).idle is None
