"""Import Take: BVH files as the engine reads them, played by the real bpy."""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

import forms
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of, poses
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.files.bvh import parse_bvh, read_bvh, write_bvh
from takemill_addon.bridge.rigs.rig import read_rig
from takemill_addon.bridge.scene import background, scene_time
from takemill_addon.bridge.takes import armatures
from takemill_addon.operators.import_take import TAKEMILL_FH_take, TAKEMILL_OT_import_take

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
NEAR_M = 1e-5  # keys are single precision: 1e-7 of some metres, through a chain of joints


@pytest.fixture
def walk() -> Motion:
    return synthetic.walk(rate=60, steps=4).motion


def bring(*paths: Path, **wishes) -> list[bpy.types.Action]:
    """Files through the operator; the new Actions."""
    before = set(bpy.data.actions)
    files = [{"name": path.name} for path in paths]
    assert takemill.import_take(directory=str(paths[0].parent), files=files, **wishes) == {"FINISHED"}
    return [action for action in bpy.data.actions if action not in before]


def active() -> bpy.types.Object:
    return bpy.context.view_layer.objects.active


def off_m(armature: bpy.types.Object, motion: Motion, frames) -> float:
    """How far the joints of Blender's own evaluation lie from a motion's, at scene frames of its own."""
    names = [bone.name for bone in armature.pose.bones]
    order = [names.index(name) for name in armatures.bone_names(motion.skeleton.names)]
    heads = poses(armature, list(frames))[..., :3, 3][:, order]
    return float(np.linalg.norm(heads - motion.model()[1], axis=-1).max())


FORMS = {
    "plain": lambda one, _: forms.bvh_text(one),
    "inches, X up": lambda one, _: forms.bvh_text(one, unit="inch", up="X"),
    "positions everywhere": lambda one, _: forms.bvh_text(one, places="all"),
    "no OFFSETs": lambda one, _: forms.bvh_text(one, places="all", offsets="zero"),
    "Japanese": lambda one, _: forms.bvh_text(forms.renamed(one, "Japanese")),
    **{
        pose: lambda one, parts, pose=pose: forms.bvh_text(
            forms.resting(one, forms.POSES[pose](one, parts)), up="Z", unit="m"
        )
        for pose in ("along +X", "lying on the back", "crumpled")
    },
}


@pytest.mark.parametrize("form", FORMS)
def test_a_file_in_any_form_stands_in_blender_as_the_engine_reads_it(form, walk, tmp_path):
    path = tmp_path / "walk.bvh"
    path.write_text(FORMS[form](forms.plain(walk), find_body_map(walk.skeleton).joints), encoding="utf-8")
    motion, _ = read_bvh(path)
    scene = empty_scene(24)
    (action,) = bring(path)
    assert action.name == "walk"
    assert active().animation_data.action == action
    assert off_m(active(), motion, range(len(motion))) < NEAR_M
    heads = {bone.name: np.array(bone.head_local) for bone in active().data.bones}
    for name, place in zip(motion.skeleton.names, motion.skeleton.rest_model[1], strict=True):
        assert np.allclose(heads[name], place, atol=NEAR_M), name
    assert scene_time.frame_rate(scene) == pytest.approx(motion.rate, rel=1e-6)
    assert (scene.frame_start, scene.frame_end) == (0, len(motion) - 1)
    assert (action.takemill.file, action.takemill.take_rate) == ("walk.bvh", motion.rate)


@pytest.mark.parametrize("rate", [30 / 1.001, 119.88, 47.3, 1.0])
def test_any_rate_becomes_the_scenes(rate, walk, tmp_path):
    write_bvh(tmp_path / "odd.bvh", walk.sampled(np.arange(8.0), rate))
    scene = empty_scene(24)
    bring(tmp_path / "odd.bvh")
    known, _ = read_bvh(tmp_path / "odd.bvh")
    assert scene_time.frame_rate(scene) == pytest.approx(known.rate, rel=1e-6)


def test_in_a_scene_with_a_take_the_speed_stays_right_and_the_rate_is_the_scenes(walk, tmp_path):
    scene = empty_scene(24)
    write_bvh(tmp_path / "first.bvh", walk.resampled(30.0))
    write_bvh(tmp_path / "second.bvh", walk)
    bring(tmp_path / "first.bvh")
    (second,) = bring(tmp_path / "second.bvh", start=10)
    assert scene_time.frame_rate(scene) == 30.0
    assert tuple(second.frame_range) == (10.0, 10.0 + (len(walk) - 1) / 2)
    assert len(second.layers[0].strips[0].channelbags[0].fcurves[0].keyframe_points) == len(walk)
    half = walk.sampled(np.arange(0, len(walk), 2.0), 30.0)
    assert off_m(active(), half, range(10, 10 + len(half))) < NEAR_M
    (third,) = bring(tmp_path / "second.bvh", timing="TAKE")
    assert scene_time.frame_rate(scene) == 60.0
    assert third.frame_range[1] == len(walk) - 1


def test_takes_of_one_skeleton_share_an_armature_and_others_get_their_own(walk, tmp_path):
    """A position of the hips that an exporter writes as OFFSET makes no other skeleton; longer arms do."""
    idle = synthetic.idle(rate=60, duration_s=2).motion
    tall = synthetic.walk(rate=60, steps=2, scale=1.2).motion
    (tmp_path / "walk.bvh").write_text(forms.bvh_text(forms.plain(walk)))
    (tmp_path / "idle.bvh").write_text(forms.bvh_text(forms.plain(idle), offsets="first"))
    (tmp_path / "tall.bvh").write_text(forms.bvh_text(forms.plain(tall)))
    empty_scene()
    actions = bring(*(tmp_path / f"{name}.bvh" for name in ("walk", "idle", "tall")))
    assert sorted(action.name for action in actions) == ["idle", "tall", "walk"]
    assert sorted(one.name for one in bpy.data.armatures) == ["tall", "walk"]
    suit = bpy.data.objects["walk"]
    assert active() == suit
    assert suit.animation_data.action.name == "walk"
    assert all(action.use_fake_user for action in actions)
    suit.animation_data.action = bpy.data.actions["idle"]
    assert off_m(suit, read_bvh(tmp_path / "idle.bvh")[0], range(len(idle))) < NEAR_M


def there() -> tuple:
    """What is in the file, and how it is shown."""
    scene, kinds = bpy.context.scene, ("objects", "armatures", "meshes", "actions", "collections", "scenes")
    timing = scene.render.fps, scene.render.fps_base, scene.frame_start, scene.frame_end, scene.frame_current
    chosen = active() and (active().name, active().mode, active().takemill.reference)
    chosen = chosen and (*chosen, active().animation_data.action, active().animation_data.action_slot)
    selected = {item.name for item in bpy.context.view_layer.objects if item.select_get()}
    return {kind: sorted(getattr(bpy.data, kind).keys()) for kind in kinds}, timing, chosen, selected


@pytest.mark.parametrize("share", [0.2, 0.6, 0.8])
def test_an_import_that_esc_stops_leaves_all_as_it_was(walk, tmp_path, monkeypatch, share):
    write_bvh(tmp_path / "walk.bvh", walk)
    write_bvh(tmp_path / "tall.bvh", synthetic.walk(rate=50, steps=2, scale=1.2).motion)
    empty_scene(24)
    bring(tmp_path / "walk.bvh")
    active().takemill.parts.clear()
    before = there()
    work = SimpleNamespace(
        unit="FOUND", up="FOUND", start=3, timing="TAKE", onto_active=True, report=print, tell=print,
        _chosen=lambda: [tmp_path / "tall.bvh", tmp_path / "walk.bvh"],
    )  # fmt: skip
    work._look_at = partial(TAKEMILL_OT_import_take._look_at, work)
    monkeypatch.setattr(background, "slice_s", lambda _: 1e-4)  # a few steps at a time
    job = background.Job(bpy.context, "Import Take", TAKEMILL_OT_import_take.run(work, bpy.context))
    try:
        while job._share <= share:
            assert job.runs(bpy.context, SimpleNamespace(type="TIMER"))
        assert len(bpy.data.actions) > 1
        assert not job.runs(bpy.context, SimpleNamespace(type="ESC"))
    finally:
        job.end(bpy.context)
    assert there() == before


def test_a_later_file_goes_onto_the_active_armature_or_a_new_one(walk, tmp_path):
    write_bvh(tmp_path / "walk.bvh", walk)
    write_bvh(tmp_path / "again.bvh", walk)
    empty_scene()
    bring(tmp_path / "walk.bvh")
    suit = active()
    suit.location, suit.scale = (3, 2, 1), (1, 1, 1)
    before = keys_of(bpy.data.actions["walk"])
    bring(tmp_path / "again.bvh")
    assert [one.name for one in bpy.data.objects] == ["walk"]
    assert suit.animation_data.action.name == "again"
    assert keys_of(bpy.data.actions["walk"]) == before
    bring(tmp_path / "again.bvh", onto_active=False)
    assert len(bpy.data.armatures) == 2
    assert active() != suit


def test_an_armature_of_blenders_importer_takes_a_file_too(walk, tmp_path):
    """Other bone axes, NATIVE rotation modes: the joints lie where they are to lie."""
    empty_scene()
    suit = import_bvh(walk, tmp_path)
    write_bvh(tmp_path / "again.bvh", walk)
    bring(tmp_path / "again.bvh")
    assert active() == suit
    assert off_m(suit, read_bvh(tmp_path / "again.bvh")[0], range(len(walk))) < NEAR_M


def test_a_file_that_cannot_be_read_leaves_nothing_behind(walk, tmp_path, capfd):
    write_bvh(tmp_path / "walk.bvh", walk)
    (tmp_path / "bad.bvh").write_text("HIERARCHY\nROOT Hips\n{\n")
    (tmp_path / "markers.bvh").write_bytes(bytes([2, 0x50]) + bytes(700))
    empty_scene(24)
    bring(tmp_path / "bad.bvh", tmp_path / "walk.bvh", tmp_path / "markers.bvh")
    said = "".join(capfd.readouterr())
    for word in ("left out", "bad.bvh", "markers.bvh", "C3D", "2 files left out"):
        assert word in said
    assert [one.name for one in bpy.data.actions] == ["walk"]
    assert len(bpy.data.objects) == len(bpy.data.armatures) == 1


@pytest.mark.parametrize("name", ["bad.bvh", "nowhere.bvh"])
def test_without_a_take_nothing_changes(name, tmp_path):
    (tmp_path / "bad.bvh").write_text("HIERARCHY\nROOT Hips\n{\n")
    scene = empty_scene(24)
    with pytest.raises(RuntimeError, match=name):
        bring(tmp_path / name)
    assert not bpy.data.objects
    assert not bpy.data.actions
    assert not bpy.data.armatures
    assert (scene.render.fps, scene.frame_end) == (24, 250)


def test_unit_and_up_can_be_said_by_the_operator_or_the_recipe(walk, tmp_path):
    write_bvh(tmp_path / "walk.bvh", walk)  # centimetres, Y up
    tall = {}
    for name, wishes, recipe in (
        ("found", {}, ""),
        ("said", {"unit": "INCH"}, "[intake]\nunit_m = 0.01\n"),
        ("recipe", {}, "[intake]\nunit_m = 0.001\nup = '-Y'\n"),
    ):
        empty_scene()
        bpy.context.scene.takemill.recipe = recipe
        bring(tmp_path / "walk.bvh", **wishes)
        heads = np.array([bone.head_local for bone in active().data.bones])
        tall[name] = np.ptp(heads[:, 2])
        upright = heads[active().data.bones.find("head"), 2] > heads[:, 2].mean()
        assert upright == (name != "recipe")
    assert tall["said"] == pytest.approx(2.54 * tall["found"], rel=1e-4)
    assert tall["recipe"] == pytest.approx(0.1 * tall["found"], rel=1e-4)


def test_long_names_and_joints_without_length_become_bones(walk, tmp_path):
    """63 bytes is what Blender keeps of a name; a twin joint lies on its parent."""
    plain = forms.plain(walk)
    twin = forms.inserted(plain, plain.names.index("left_hand"), "twin", inline=True)
    names = tuple(f"{'a-very-long-word-' * 4}{number:02d}-{name}" for number, name in enumerate(twin.names))
    (tmp_path / "long.bvh").write_text(forms.bvh_text(replace(twin, names=names)))
    motion, _ = read_bvh(tmp_path / "long.bvh")
    empty_scene()
    bring(tmp_path / "long.bvh")
    assert len(active().data.bones) == len(names)
    assert off_m(active(), motion, range(len(motion))) < NEAR_M


@pytest.mark.parametrize("which", ["all", "none"])
def test_the_body_ends_where_the_file_says(which, walk, tmp_path):
    """Heels and toes; a skeleton without End Sites ends nobody knows where. Edit mode and scale keep it."""
    plain = forms.plain(walk)
    text = forms.bvh_text(plain if which == "all" else replace(plain, tips=()))
    (tmp_path / "walk.bvh").write_text(text)
    motion, _ = parse_bvh(text)
    assert len(motion.skeleton.tip_joints) == (7 if which == "all" else 0)
    empty_scene()
    bring(tmp_path / "walk.bvh")
    bpy.ops.object.mode_set(mode="EDIT")
    bpy.ops.object.mode_set(mode="OBJECT")
    for factor in (1.0, 0.5):
        found = read_rig(active()).skeleton
        assert [found.names[joint] for joint in found.tip_joints] == [
            motion.skeleton.names[joint] for joint in motion.skeleton.tip_joints
        ]
        assert np.allclose(found.rest_tips, factor * motion.skeleton.rest_tips, atol=NEAR_M)
        active().scale = (0.5,) * 3
        bpy.ops.object.transform_apply(location=False, rotation=False)


def test_one_undo_takes_the_import_back(walk, tmp_path):
    write_bvh(tmp_path / "walk.bvh", walk)
    write_bvh(tmp_path / "again.bvh", walk)
    empty_scene()
    bpy.ops.ed.undo_push(message="before")
    bpy.ops.ed.undo_push(message="still before")
    files = [{"name": "walk.bvh"}, {"name": "again.bvh"}]
    takemill.import_take("EXEC_DEFAULT", True, directory=str(tmp_path), files=files)
    assert len(bpy.data.actions) == 2
    bpy.ops.ed.undo()
    assert (len(bpy.data.actions), len(bpy.data.objects)) == (0, 0)


def test_a_file_dropped_on_the_viewport_is_taken():
    assert TAKEMILL_FH_take.bl_import_operator == "takemill.import_take"
    assert TAKEMILL_FH_take.bl_file_extensions == ".bvh"
    menu = bpy.types.TOPBAR_MT_file_import
    assert any(draw.__name__ == "draw_in_menu" for draw in menu.draw._draw_funcs)
