"""Clips for several characters, from one list of cuts: each ticked one gets its own set, in its folder."""

from __future__ import annotations

import json
from dataclasses import replace

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, skinned_cloth
from glb_reader import read_glb
from node_parties import validator_issues
from takemill.recipe.recipe import read_recipe
from takemill.sets import set_folder_stage
from takemill.sets.verify import verify_set
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.motion.read_action import read_take
from takemill_addon.bridge.rigs.rig import ArmatureFrame
from takemill_addon.bridge.takes import clip_names, stage
from takemill_addon.bridge.takes.characters import cuts_holder
from takemill_addon.bridge.takes.recipe import recipe_of

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
SIZES = {"ferrywoman": 1.0, "mate": 0.6}


@pytest.fixture
def crew(tmp_path):
    """Two characters that play the same walk, cut once on the suit that took it."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=6).motion, tmp_path, "suit")
    takemill.map_body()
    cut = suit.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.loop, cut.root_motion = (
        "locomotion",
        45,
        130,
        "locomotion",
        True,
        "in_place",
    )
    cast = []
    for name, size in SIZES.items():
        one = import_bvh(synthetic.idle(rate=30, scale=size, duration_s=1).motion, tmp_path, name, root=True)
        one.animation_data_clear()
        one.name = name
        cast.append(one)
    stage.activate(bpy.context, suit)
    choose(*cast)
    takemill.fit_take()
    takemill.make_clips()
    bpy.context.scene.takemill.set_folder = str(tmp_path / "sets")
    return cast


def test_one_list_of_cuts_makes_the_clips_of_all(crew):
    """The performer stays the active object; its clips and those of both characters have the same frames."""
    suit = bpy.context.view_layer.objects.active
    take = suit.animation_data.action
    assert suit.name == "suit"
    ranges = set()
    for one in (suit, *crew):
        (clip,) = one.takemill.clips
        record = ClipRecord.of_action(clip.action)
        ranges.add((clip.name, record.source_range, tuple(clip.action.frame_range)))
    assert len(ranges) == 1
    for one in crew:
        fitted = one.animation_data.action
        assert (fitted.takemill.source, fitted.takemill.performer) == (take, suit)
        assert len(fitted.takemill.cuts) == 0
        assert cuts_holder(fitted) == take


def test_a_suggested_loop_whose_seam_was_spoiled_is_a_one_shot_on_all_and_leads_to_other_seams(crew, capfd):
    suit = bpy.context.view_layer.objects.active
    cut = suit.animation_data.action.takemill.cuts[0]
    cut.given_name, cut.search, cut.start = cut.name, False, 5
    before = suit.animation_data.action.takemill.cuts.add()
    before.name = before.given_name = "start"
    before.start, before.end, before.kind, before.root_motion = 5, 45, "locomotion", "in_place"
    before.leads_to = "locomotion"
    assert takemill.make_clips() == {"FINISHED"}
    said = capfd.readouterr().out
    assert "one-shots, no loops: locomotion; Other Seams shows" in said
    assert "not made: clip 'start': its" in said
    cut = suit.animation_data.action.takemill.cuts[0]
    for one in (suit, *crew):
        (clip,) = one.takemill.clips
        assert ClipRecord.of_action(clip.action).candidate is None
        assert clip_names.should_loop(clip)
    assert takemill.other_seams() == {"FINISHED"}
    assert len(cut.seams) > 2


def test_on_a_character_the_list_is_the_performers_and_its_clips_alone_are_made(crew):
    one, other = crew
    stage.activate(bpy.context, one)
    takemill.add_cut()
    suit = bpy.data.objects["suit"]
    cuts = suit.animation_data.action.takemill.cuts
    assert [cut.name for cut in cuts] == ["locomotion", "clip_01"]
    cuts[1].start, cuts[1].end, cuts[1].root_motion = 20, 40, "in_place"
    takemill.make_clips()
    assert [clip.name for clip in one.takemill.clips] == ["locomotion", "clip_01"]
    assert [clip.name for clip in other.takemill.clips] == ["locomotion"]
    with pytest.raises(RuntimeError, match="fitted already; select its performer, suit"):
        takemill.fit_take()


def test_a_character_without_a_fit_and_a_performer_without_a_root_are_said(crew, capfd):
    suit = bpy.context.view_layer.objects.active
    take = suit.animation_data.action
    take.takemill.cuts[0].root_motion = "root"
    crew[1].animation_data_clear()
    for action in [one for one in bpy.data.actions if one.takemill.character == crew[1]]:
        bpy.data.actions.remove(action)
    for armature in (suit, *crew):
        armature.takemill.clips.clear()
    capfd.readouterr()
    takemill.make_clips()
    said = capfd.readouterr().out
    assert "mate gets no clips: " in said
    assert "suit gets no clips: it has no root bone" in said
    assert [len(one.takemill.clips) for one in (suit, *crew)] == [0, 1, 0]


def test_without_clips_of_the_performer_the_characters_alone_get_them(crew):
    suit = bpy.context.view_layer.objects.active
    for armature in (suit, *crew):
        armature.takemill.clips.clear()
    bpy.context.scene.takemill.performer_clips = False
    takemill.make_clips()
    assert [len(one.takemill.clips) for one in (suit, *crew)] == [0, 1, 1]


def test_own_settings_count_for_one_character_and_go_into_the_recipe(crew, tmp_path):
    chosen = bpy.context.scene.takemill
    row = chosen.characters[1]
    row.own, row.posture, row.feet, row.arm_clearance = True, "match", False, np.radians(12.5)
    whole = recipe_of(bpy.context.scene)
    fits = [whole.of_character(one.name).fit for one in crew]
    assert [(one.posture, one.plant_feet, one.arm_clearance_deg) for one in fits] == [
        ("keep", True, 0.0), ("match", False, 12.5),
    ]  # fmt: skip
    path = tmp_path / "r.toml"
    assert takemill.save_recipe(filepath=str(path)) == {"FINISHED"}
    assert read_recipe(path).characters["mate"].fit["posture"] == "match"
    row.own, row.posture = False, "keep"
    assert recipe_of(bpy.context.scene).characters == {}
    assert takemill.load_recipe(filepath=str(path)) == {"FINISHED"}
    assert (row.own, row.posture, row.feet) == (True, "match", False)
    assert recipe_of(bpy.context.scene) == replace(whole, clips=read_recipe(path).clips)
    row.own = False
    assert not {"posture", "plant_feet"} & recipe_of(bpy.context.scene).characters["mate"].fit.keys()


def test_the_list_takes_the_selected_or_all_that_bend_a_mesh(crew):
    chosen = bpy.context.scene.takemill
    choose()
    with pytest.raises(RuntimeError, match="there is no other armature to add"):
        takemill.add_characters()
    skinned_cloth(crew[0])
    takemill.add_characters()
    assert [row.armature for row in chosen.characters] == [crew[0]]
    crew[1].select_set(True)
    takemill.add_characters()
    assert [row.armature for row in chosen.characters] == crew
    takemill.remove_character()
    assert [row.armature for row in chosen.characters] == crew[:1]
    takemill.go_to_armature(name=crew[1].name)
    assert bpy.context.view_layer.objects.active == crew[1]


def test_each_ticked_character_gets_its_folder(crew, tmp_path):
    """Each GLB plays its own character's clip. The Khronos validator has nothing against either."""
    takemill.pack_set()
    assert sorted(path.name for path in (tmp_path / "sets").iterdir()) == sorted(SIZES)
    for one in crew:
        folder = tmp_path / "sets" / one.name
        assert {path.name for path in folder.iterdir()} >= {f"{one.name}.glb", "clips.json", "report.html"}
        data = (folder / f"{one.name}.glb").read_bytes()
        assert [issue for issue in validator_issues(data) if issue["severity"] < 2] == []
        glb, action = read_glb(data), one.takemill.clips[0].action
        take = read_take(bpy.context, one, action, ArmatureFrame.none())
        hand = take.motion.skeleton.index("left_hand")
        node = next(i for i, n in enumerate(glb.json["nodes"]) if n["name"] == one.name)
        for frame in (0, 7, len(take.motion) - 1):
            world = glb.world_at("locomotion", frame / 30)
            x, y, z = (np.linalg.inv(world[node]) @ world[glb.node("left_hand")])[:3, 3]
            at = take.motion.model()[1][frame, hand]
            np.testing.assert_allclose([x, -z, y], at, atol=0.001)
    leaps = [
        json.loads((tmp_path / "sets" / name / "clips.json").read_text())["clips"][0]["root_motion"]
        for name in SIZES
    ]
    assert leaps[1]["distance_m"] == pytest.approx(0.6 * leaps[0]["distance_m"], rel=0.05)


@pytest.mark.parametrize(("files", "count"), [("one", 1), ("each", 1), ("separate", 2)])
def test_files_and_keys_are_as_the_panel_says(crew, tmp_path, files, count):
    """In every parting, curved and as floats; the Khronos validator has nothing against any file."""
    chosen = bpy.context.scene.takemill
    chosen.recipe = (
        "[reduce]\nplanted_error_m = 0.004\n"  # cubic keys of planted feet may stray as far as others
    )
    chosen.set_files, chosen.set_keys, chosen.set_floats, chosen.max_error_mm = files, "cubic", True, 4.0
    takemill.pack_set()
    for one in crew:
        folder = tmp_path / "sets" / one.name
        glbs = [path.read_bytes() for path in sorted(folder.rglob("*.glb"))]
        assert len(glbs) == count
        assert [issue for data in glbs for issue in validator_issues(data) if issue["severity"] < 2] == []
        (clip,) = json.loads((folder / "clips.json").read_text())["clips"]
        assert (
            clip["file"]
            == {"one": f"{one.name}.glb", "each": "locomotion.glb", "separate": "clips/locomotion.glb"}[files]
        )
        moving = read_glb((folder / clip["file"]).read_bytes())
        samplers = moving.animation("locomotion")["samplers"]
        assert "CUBICSPLINE" in {sampler.get("interpolation") for sampler in samplers}
        kinds = {moving.json["accessors"][sampler["output"]]["componentType"] for sampler in samplers}
        assert kinds == {5126}
        assert [verdict.problems for verdict in verify_set(folder)[1]] == [()]


def test_one_ticked_character_is_packed_into_the_folder_itself(crew, tmp_path):
    chosen = bpy.context.scene.takemill
    chosen.characters[0].use = False
    takemill.pack_set()
    assert (tmp_path / "sets" / "mate.glb").is_file()
    chosen.pack_characters, chosen.set_folder = "ACTIVE", str(tmp_path / "other")
    stage.activate(bpy.context, crew[0])
    takemill.pack_set()
    assert (tmp_path / "other" / "ferrywoman.glb").is_file()


def test_a_character_that_is_not_ready_is_named(crew, tmp_path):
    crew[1].takemill.clips[0].use = False
    with pytest.raises(RuntimeError, match="Make clips for mate first"):
        takemill.pack_set()
    crew[1].takemill.parts.clear()
    with pytest.raises(RuntimeError, match="Map the body of mate first"):
        takemill.pack_set()
    assert not (tmp_path / "sets").exists()


def test_nothing_is_written_when_a_character_cannot_be_packed(crew, tmp_path):
    """A folder in the way, or a clip whose Action is gone: no character's set is written."""
    (tmp_path / "sets" / "mate").mkdir(parents=True)
    own = tmp_path / "sets" / "mate" / "clips.json"
    own.write_text("my notes")
    with pytest.raises(RuntimeError, match=r"clips\.json"):
        takemill.pack_set()
    own.unlink()
    bpy.data.actions.remove(crew[1].takemill.clips[0].action)
    with pytest.raises(RuntimeError, match="its action is gone"):
        takemill.pack_set()
    assert not (tmp_path / "sets" / "ferrywoman").exists()


def test_nothing_is_written_when_the_disk_fails_at_the_second_character(crew, tmp_path, monkeypatch):
    change, seen = set_folder_stage.Stage.change_places, []

    def fail_second(stage):
        seen.append(stage)
        if len(seen) == 2:
            raise OSError(28, "No space left on device")
        change(stage)

    takemill.pack_set()
    before = contents(tmp_path / "sets")
    bpy.context.scene.takemill.set_rate = 24
    monkeypatch.setattr(set_folder_stage.Stage, "change_places", fail_second)
    with pytest.raises(RuntimeError, match=r"mate: No space left on device"):
        takemill.pack_set()
    assert contents(tmp_path / "sets") == before
    monkeypatch.undo()
    takemill.pack_set()
    assert {path.parent.name for path in (tmp_path / "sets").rglob("clips.json")} == {
        one.name for one in crew
    }
    assert contents(tmp_path / "sets") != before


def contents(folder) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


def test_names_that_some_systems_take_for_one_are_refused(crew, tmp_path):
    crew[1].name = "Ferrywoman"
    with pytest.raises(RuntimeError, match="but for small and large letters"):
        takemill.pack_set()
    assert not (tmp_path / "sets").exists()


def test_a_set_says_how_it_stands_and_shows_all_side_by_side(crew, tmp_path):
    """Parts that the performer has and a character lacks, bones that are held, the performer beside all."""
    one, other = crew
    bone = other.takemill.parts["rightHand"].bone
    other.pose.bones[bone].constraints.new("LIMIT_ROTATION")
    one.takemill.parts["leftToes"].bone = ""
    assert takemill.pack_set() == {"FINISHED"}
    said = {name: json.loads((tmp_path / "sets" / name / "clips.json").read_bytes()) for name in SIZES}
    assert said["ferrywoman"]["character"] == {"mesh": False, "unmapped": ["leftToes"], "constrained": []}
    assert said["mate"]["character"]["constrained"] == [bone]
    for name, others in (
        ("ferrywoman", "mate, ferrywoman"),
        ("mate", "ferrywoman, mate"),
    ):
        page = (tmp_path / "sets" / name / "report.html").read_text(encoding="utf-8")
        assert f"Side by side: performer, {others}" in page
        assert verify_set(tmp_path / "sets" / name)[0] == ()
    assert bone in (tmp_path / "sets" / "mate" / "report.html").read_text(encoding="utf-8")
