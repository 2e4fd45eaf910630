"""How far the work is, as the headers of the panels say it: done, stale since a change, or waiting."""

from __future__ import annotations

import bpy
import pytest

import corrupt
import synthetic
from blender_scene import choose, empty_scene, import_bvh, skin_tips, skinned_cloth
from takemill.files import bvh
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage
from takemill_addon.bridge.takes.states import STEPS, next_step, states_of
from takemill_addon.panels import pack

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def words(suit) -> dict[str, str]:
    return {name: one.word for name, one in states_of(bpy.context, suit).items()}


def why(suit, step: str) -> str:
    one = states_of(bpy.context, suit)[step]
    assert one.word == "stale"
    return one.why


def coming(suit) -> str:
    return next_step(states_of(bpy.context, suit))


@pytest.fixture
def scene(tmp_path):
    """A damaged walk that was just imported, and a character with a mesh."""
    empty_scene(60)
    idle = synthetic.idle(rate=60, scale=0.7, duration_s=1).motion
    one = import_bvh(idle, tmp_path, "mate", root=True)
    one.name = "mate"
    one.animation_data_clear()
    skin_tips(one, idle.skeleton)
    damaged = corrupt.corrupt(synthetic.walk(rate=60, steps=8).motion, 5).motion
    bvh.write_bvh(tmp_path / "walk.bvh", damaged)
    takemill.import_take(filepath=str(tmp_path / "walk.bvh"), timing="TAKE")
    suit = stage.armature_of(bpy.context)
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    return suit, one


def test_the_first_run_is_one_press_for_each_step(scene, tmp_path):
    """Import, Repair, Suggest Cuts, add and Fit, Make Clips, Pack: each is the next, none asks for more."""
    suit, one = scene
    assert coming(suit) == "repair"
    takemill.repair_take()
    assert coming(suit) == "cuts"
    takemill.suggest_cuts()
    assert coming(suit) == "clips"  # nothing asks for characters yet
    takemill.add_characters()
    assert coming(suit) == "characters"
    takemill.fit_take()
    assert coming(suit) == "clips"
    takemill.make_clips()
    assert coming(suit) == "pack"
    takemill.pack_set()
    assert coming(suit) == ""
    assert set(words(suit).values()) == {"done"}
    assert set(words(suit)) == set(STEPS)
    assert (tmp_path / "set" / "clips.json").is_file()
    assert words(one) == words(suit)  # on the character, too, it is the performer's work
    assert pack.TAKEMILL_PT_pack.step == "pack"


def test_measures_of_other_keys_are_stale(scene):
    suit, _ = scene
    assert words(suit)["check"] == "waiting"
    takemill.check_take()
    assert words(suit)["check"] == "done"
    action = suit.animation_data.action
    point = actions.channelbag(action, action.slots[0]).fcurves[5].keyframe_points[7]
    before = point.co.y
    point.co.y += 0.25
    assert why(suit, "check") == f"the keys of {action.name} have changed"
    point.co.y = before
    assert words(suit)["check"] == "done"


def test_a_repair_is_stale_behind_its_settings_and_the_raw_keys(scene):
    suit, _ = scene
    raw = suit.animation_data.action
    takemill.repair_take()
    assert (words(suit)["repair"], words(suit)["check"]) == ("done", "done")
    bpy.context.scene.takemill.repair_pin = False
    assert why(suit, "repair") == "its settings have changed"
    assert coming(suit) == "repair"
    bpy.context.scene.takemill.repair_pin = True
    actions.channelbag(raw, raw.slots[0]).fcurves[5].keyframe_points[7].co.y += 0.25
    assert why(suit, "repair") == f"the keys of {raw.name} have changed"


def test_a_recipe_of_clips_alone_makes_no_repair_stale(scene, tmp_path):
    suit, _ = scene
    takemill.repair_take()
    path = tmp_path / "clips.toml"
    clip = '[[clip]]\nname = "piece"\nfrom = "60f"\nto = "120f"\nkind = "other"\n'
    path.write_text(clip, encoding="utf-8")
    takemill.load_recipe(filepath=str(path))
    assert words(suit)["repair"] == "done"
    path.write_text(f"[repair]\nlongest_bridge_s = 0.1\n{clip}", encoding="utf-8")
    takemill.load_recipe(filepath=str(path))
    assert why(suit, "repair") == "its settings have changed"


def test_fits_and_clips_are_stale_behind_repair_settings_and_cuts(scene):
    suit, one = scene
    takemill.repair_take()
    repaired = suit.animation_data.action
    cut = repaired.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "piece", 60, 120, "in_place"
    choose(one)
    takemill.fit_take()
    takemill.make_clips()
    assert words(suit)["clips"] == "done"
    cut.end = 130
    assert why(suit, "clips") == "the cut piece has changed"
    cut.end = 120
    bpy.context.scene.takemill.fit_posture = "match"
    assert why(suit, "characters") == "settings of the fit to mate have changed"
    bpy.context.scene.takemill.fit_posture = "keep"
    takemill.repair_take()
    assert why(suit, "characters") == f"mate has the fit of {repaired.name}"
    assert why(suit, "clips") == f"piece of suit is a clip of {repaired.name}".replace("suit", suit.name)
    cut = suit.animation_data.action.takemill.cuts[0]
    cut.end = 5000
    assert why(suit, "cuts") == "the cut piece reaches out of the take"


def test_a_set_is_stale_when_its_clips_were_made_anew(scene):
    suit, _ = scene
    skinned_cloth(suit)
    cut = suit.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.root_motion = "piece", 60, 120, "in_place"
    takemill.make_clips()
    takemill.pack_set()
    assert words(suit)["pack"] == "done"
    takemill.make_clips()
    assert why(suit, "pack") == f"the clips of {suit.name} have changed"
