"""One recipe, one road: what the shell makes of a recipe and a take, Blender makes too, and the reverse."""

from __future__ import annotations

import json
from dataclasses import fields, is_dataclass, replace
from pathlib import Path

import bpy
import numpy as np
import pytest

import blender_scene
import every_setting
import forms
import small_takes
from glb_clips import clip_of
from glb_reader import read_glb
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.files.glb import append_animations
from takemill.files.glb_rig import read_rig
from takemill.maths import quat
from takemill.recipe.recipe import TABLES, Recipe, read_recipe
from takemill.shell import cli
from takemill_addon.bridge.rigs.export_rig import export_rig
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import recipe as bridge

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
NEAR_M = 0.05e-3  # a twentieth of a millimetre
JOINTS = small_takes.stand_and_walk().skeleton.names


@pytest.fixture
def ferry(tmp_path, addon):
    """A take as a file, and the same in Blender, its body mapped and a root bone added."""
    del addon  # first: the body is mapped by it
    path = small_takes.write(tmp_path, "walk.bvh")
    blender_scene.empty_scene()
    armature = blender_scene.import_bvh(small_takes.stand_and_walk(), tmp_path, "walk", root=True)
    return path, armature


def recipe_file(folder: Path, text: str) -> Path:
    (folder / "r.toml").write_text(text, encoding="utf-8")
    return folder / "r.toml"


def packed_by_shell(path: Path, recipe: Path, out: Path, *more: str) -> dict:
    assert cli.main(["pack", str(path), "--recipe", str(recipe), "--out", str(out), *more]) == 0
    return json.loads((out / "clips.json").read_text(encoding="utf-8"))


def packed_by_blender(recipe: Path, out: Path, repair: bool = True) -> dict:
    assert takemill.load_recipe(filepath=str(recipe)) == {"FINISHED"}
    if repair:
        assert takemill.repair_take() == {"FINISHED"}
    assert takemill.make_clips() == {"FINISHED"}
    bpy.context.scene.takemill.set_folder = str(out)
    assert takemill.pack_set() == {"FINISHED"}
    return json.loads((out / "clips.json").read_text(encoding="utf-8"))


def positions(folder: Path, clip: dict, joints: tuple[str, ...]) -> np.ndarray:
    """Where joints are at the clip's frames, read by a reader that shares no code."""
    glb = read_glb((folder / clip["file"]).read_bytes())
    return glb.positions(clip["name"], np.arange(clip["frames"]) / clip["rate"], joints)


def with_pose(skeleton, joint: str, turn: np.ndarray) -> Motion:
    """Five frames of a skeleton that rests, but for one joint's turn in its own axes."""
    pose = skeleton.rest_rotation.copy()
    pose[skeleton.index(joint)] = quat.mul(pose[skeleton.index(joint)], turn)
    root = np.repeat(skeleton.rest_translation[:1], 5, axis=0)
    return Motion(skeleton, 30.0, np.repeat(pose[None], 5, axis=0), root)


def expect_same_sets(shell: tuple[Path, dict], blender: tuple[Path, dict], near_m: float = NEAR_M) -> None:
    (there, one), (here, other) = shell, blender
    assert [clip["name"] for clip in other["clips"]] == [clip["name"] for clip in one["clips"]]
    for mine, yours in zip(other["clips"], one["clips"], strict=True):
        name = yours["name"]
        for key in ("kind", "frames", "rate", "loop", "additive", "blend_frames", "events", "contacts"):
            assert mine[key] == yours[key], (name, key)
        assert mine["source"]["frames"] == yours["source"]["frames"], name
        assert mine["source"]["take"] == yours["source"]["take"], name
        assert mine["asked"] == yours["asked"], name
        assert other["settings"][mine["settings"]] == one["settings"][yours["settings"]], name
        assert mine["root_motion"]["mode"] == yours["root_motion"]["mode"], name
        assert np.allclose(mine["root_motion"]["offset_m"], yours["root_motion"]["offset_m"], atol=1e-4), name
        away = positions(here, mine, JOINTS) - positions(there, yours, JOINTS)
        off = float(np.linalg.norm(away, axis=-1).max())
        assert off < near_m, (name, off)
    assert other["packing"] == one["packing"]


def every(clips: str = "", **changes) -> str:
    """Each setting changed, but keys are dense, so that clips can be compared."""
    exact = {"max_error_m": 1e-6, "planted_error_m": 1e-6, "max_error_deg": 0.001, "interpolation": "linear"}
    return every_setting.text(clips, reduce=exact, **changes)


@pytest.mark.parametrize("rate", [None, 30])
def test_every_setting_makes_the_same_clips_in_the_shell_and_in_blender(ferry, tmp_path, rate):
    path, _ = ferry
    text = every() if rate is None else f"rate = {rate}\n{every()}"
    recipe = recipe_file(tmp_path, text)
    shell = packed_by_shell(path, recipe, tmp_path / "shell")
    blender = packed_by_blender(recipe, tmp_path / "blender")
    expect_same_sets((tmp_path / "shell", shell), (tmp_path / "blender", blender))


@pytest.mark.parametrize("rate", [None, 30])
def test_a_noisy_take_repaired_by_default_gives_the_same_clips(ferry, tmp_path, rate):
    path, _ = ferry
    text = every_setting.CLIPS if rate is None else f"rate = {rate}\n{every_setting.CLIPS}"
    keys = "[reduce]\nmax_error_m = 1e-6\nplanted_error_m = 1e-6\nmax_error_deg = 0.001\n"
    # Its noise of 0.01 degrees is no suit's.
    text = f'neutral = "calm"\n{text}\n{keys}[repair]\nprofile = "suit"\n'
    recipe = recipe_file(tmp_path, text)
    shell = packed_by_shell(path, recipe, tmp_path / "shell")
    blender = packed_by_blender(recipe, tmp_path / "blender")
    expect_same_sets((tmp_path / "shell", shell), (tmp_path / "blender", blender))


@pytest.mark.parametrize("asked", ["", "0.5", "30f", "calm.bvh"])
def test_a_take_that_rests_crumpled_gives_the_same_clips_by_any_reference_pose(asked, addon, tmp_path):
    """Brought in by Import Take; the shell reads the same file."""
    del addon
    motion = small_takes.stand_and_walk()
    plain, parts = forms.plain(motion), find_body_map(motion.skeleton).joints
    rested = forms.resting(plain, forms.POSES["crumpled"](plain, parts))
    for name, frames in (("walk", slice(None)), ("calm", slice(60))):
        some = replace(rested, rotations=rested.rotations[frames], translations=rested.translations[frames])
        (tmp_path / f"{name}.bvh").write_text(forms.bvh_text(some))
    recipe = recipe_file(tmp_path, every(intake={"reference": asked, "accept": True}))
    shell = packed_by_shell(tmp_path / "walk.bvh", recipe, tmp_path / "shell")
    blender_scene.empty_scene()
    files = [{"name": "walk.bvh"}, {"name": "calm.bvh"}]
    assert takemill.import_take(directory=str(tmp_path), files=files) == {"FINISHED"}
    takemill.map_body()
    takemill.add_root_bone()
    blender = packed_by_blender(recipe, tmp_path / "blender")
    expect_same_sets((tmp_path / "shell", shell), (tmp_path / "blender", blender))


def test_a_recipe_saved_in_blender_makes_the_same_clips_in_the_shell(ferry, tmp_path):
    """Cuts suggested and fields set by hand, no recipe loaded; take and body are those of the file."""
    path, _ = ferry
    chosen = bpy.context.scene.takemill
    chosen.repair_pin, chosen.seam_s, chosen.set_rate, chosen.max_error_mm = False, 0.15, 30.0, 0.001
    chosen.root_motion_smooth_hz = 0.7
    assert takemill.repair_take() == {"FINISHED"}
    assert takemill.suggest_cuts() == {"FINISHED"}
    cut = bpy.context.view_layer.objects.active.animation_data.action.takemill.cuts[1]
    cut.name, cut.start = "stroll", cut.start + 7
    saved = tmp_path / "saved.toml"
    assert takemill.save_recipe(filepath=str(saved)) == {"FINISHED"}
    recipe = read_recipe(saved)
    assert (recipe.repair.pin, recipe.close.seam_s, recipe.rate) == (False, 0.15, 30.0)
    assert recipe.root_motion.smooth_hz == 0.7
    assert takemill.make_clips() == {"FINISHED"}
    chosen.set_folder = str(tmp_path / "blender")
    assert takemill.pack_set() == {"FINISHED"}
    blender = json.loads((tmp_path / "blender" / "clips.json").read_text(encoding="utf-8"))
    shell = packed_by_shell(path, saved, tmp_path / "shell")
    assert "stroll" in [clip["name"] for clip in shell["clips"]]
    expect_same_sets((tmp_path / "shell", shell), (tmp_path / "blender", blender))


@pytest.mark.usefixtures("ferry")
def test_a_recipe_loaded_changed_in_three_fields_and_saved_differs_in_the_three(tmp_path):
    path = recipe_file(tmp_path, f"rate = 30\n{every()}")
    before = read_recipe(path)
    assert takemill.load_recipe(filepath=str(path)) == {"FINISHED"}
    action = bpy.context.view_layer.objects.active.animation_data.action
    assert takemill.save_recipe(filepath=str(tmp_path / "same.toml")) == {"FINISHED"}
    assert read_recipe(tmp_path / "same.toml") == before
    chosen = bpy.context.scene.takemill
    chosen.set_rate, chosen.loop_longest_s = 24.0, 3.5
    action.takemill.cuts[2].loop = True
    assert takemill.save_recipe(filepath=str(tmp_path / "other.toml")) == {"FINISHED"}
    clips = (*before.clips[:2], replace(before.clips[2], loop=True), *before.clips[3:])
    expected = replace(before, rate=24.0, loop=replace(before.loop, longest_s=3.5), clips=clips)
    assert read_recipe(tmp_path / "other.toml") == expected


@pytest.mark.usefixtures("ferry")
def test_what_has_no_field_is_named_and_kept(tmp_path):
    assert takemill.load_recipe(filepath=str(recipe_file(tmp_path, every()))) == {"FINISHED"}
    beyond = bridge.beyond_fields(bridge.loaded_recipe(bpy.context.scene))
    assert {
        "naming",
        "[[variant]]",
        "[contacts]",
        "[pin]",
        "[cuts]",
        "[loop]",
    } <= set(beyond)
    assert bridge.beyond_fields(Recipe()) == ()
    shown = {(field.table, field.key) for field in bridge.FIELDS}
    whole = bridge.recipe_of(bpy.context.scene)
    for name in TABLES:  # each key that is set has a field, or its table is named
        for field in fields(getattr(whole, name)):
            if not is_dataclass(getattr(getattr(whole, name), field.name)):
                assert (name, field.name) in shown or f"[{name}]" in beyond


@pytest.mark.usefixtures("ferry")
def test_a_face_that_blender_does_not_play_is_said(tmp_path, capfd):
    path = recipe_file(tmp_path, '[characters.tall.face]\nanimation = "talk"\n')
    assert takemill.load_recipe(filepath=str(path)) == {"FINISHED"}
    assert "the face of tall: an animation of a GLB, for pack --to alone" in capfd.readouterr().out


@pytest.mark.usefixtures("ferry")
def test_a_number_that_its_field_cannot_hold_is_refused_before_anything_changes(tmp_path):
    path = recipe_file(tmp_path, "[root_motion]\nsmooth_hz = 1.0\n[fit]\narm_clearance_deg = -5\n")
    with pytest.raises(
        RuntimeError, match=r"\[fit\] arm_clearance_deg: the field 'Arm Clearance' holds 0 to 90, not -5"
    ):
        takemill.load_recipe(filepath=str(path))
    chosen = bpy.context.scene.takemill
    assert (chosen.recipe, chosen.root_motion_smooth_hz) == ("", 0.0)


def test_clips_that_came_from_elsewhere_say_so(ferry, tmp_path):
    _, armature = ferry
    assert takemill.add_clip() == {"FINISHED"}
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    assert takemill.pack_set() == {"FINISHED"}
    (clip,) = json.loads((tmp_path / "set" / "clips.json").read_text(encoding="utf-8"))["clips"]
    assert (clip["settings"], clip["asked"]) == ("unknown", None)
    assert armature.animation_data.action.name == clip["name"]


def test_clips_on_a_character_are_the_same_in_the_shell_and_in_blender(ferry, tmp_path):
    """Fitted, cut where the performer was cut, with the performer's contacts; each setting changed."""
    path, performer = ferry
    other = small_takes.longer_arms()
    target = blender_scene.import_bvh(other.slice(0, 1), tmp_path, "tall", root=True)
    target.name = "tall"
    blender_scene.skin_tips(target, other.skeleton)  # a GLB knows where limbs end by its mesh alone
    glb, bow = export_rig(bpy.context, target), np.array([np.cos(0.1), np.sin(0.1), 0.0, 0.0])
    own = with_pose(read_rig(glb, "tall").skeleton, "spine", bow)
    (tmp_path / "tall.glb").write_bytes(
        append_animations(glb, [clip_of(name, own) for name in ("stand", "fist")])
    )
    target.pose.bones["spine"].rotation_mode = "QUATERNION"
    for name in ("stand", "fist"):
        *_, curves = actions.new_action(target, name)
        path_of_bow = 'pose.bones["spine"].rotation_quaternion'
        blender_scene.write_curves(curves, path_of_bow, np.array([1]), bow[None])
    whole = every().replace('part = "upper_body"', 'part = "whole"')  # parts are merged in Blender alone
    recipe = recipe_file(tmp_path, f"rate = 30\n{whole}")
    shell = packed_by_shell(path, recipe, tmp_path / "shell", "--to", str(tmp_path / "tall.glb"))
    bpy.context.view_layer.objects.active = performer
    performer.select_set(True)
    assert takemill.load_recipe(filepath=str(recipe)) == {"FINISHED"}
    assert takemill.repair_take() == {"FINISHED"}
    blender_scene.choose(target)
    assert takemill.fit_take() == {"FINISHED"}
    assert takemill.make_clips() == {"FINISHED"}
    bpy.context.scene.takemill.set_folder = str(tmp_path / "blender")
    assert takemill.pack_set() == {"FINISHED"}
    blender = json.loads((tmp_path / "blender" / "clips.json").read_text(encoding="utf-8"))
    expect_same_sets((tmp_path / "shell", shell), (tmp_path / "blender", blender))
