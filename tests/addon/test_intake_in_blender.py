"""What takes are read as in Blender: the engine's line, importers' defaults refused, reference poses."""

from __future__ import annotations

import json
import warnings
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

import forms
import small_takes
import synthetic
from blender_scene import empty_scene, import_bvh, keys_of
from takemill.body.body_map import find_body_map
from takemill.files.bvh import write_bvh
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets.take_files import read_take
from takemill.shell import cli
from takemill_addon.bridge.takes import intake, stage
from takemill_addon.panels.take import TAKEMILL_PT_body

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def crumpled(motion) -> str:
    """The take as a file whose rest pose is no upright body."""
    parts = find_body_map(motion.skeleton).joints
    plain = forms.plain(motion)
    return forms.bvh_text(forms.resting(plain, forms.POSES["crumpled"](plain, parts)))


@pytest.fixture
def take(tmp_path):
    path = tmp_path / "walk.bvh"
    path.write_text(crumpled(small_takes.stand_and_walk()))
    (tmp_path / "other.bvh").write_text(crumpled(synthetic.idle(rate=60, duration_s=2).motion))
    empty_scene(24)
    return path


def bring(*paths, **wishes) -> bpy.types.Object:
    files = [{"name": path.name} for path in paths]
    assert takemill.import_take(directory=str(paths[0].parent), files=files, **wishes) == {"FINISHED"}
    return bpy.context.view_layer.objects.active


def imported_at_defaults(path, **options) -> bpy.types.Object:
    """By Blender's own importer with nothing chosen, in a new scene."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ResourceWarning)  # the bundled importer does not close its file
        bpy.ops.import_anim.bvh(filepath=str(path), **options)
    return bpy.context.view_layer.objects.active


def messages(armature, kind: str = "intake") -> list[str]:
    return [one.message for one in armature.animation_data.action.takemill.findings if one.kind == kind]


@pytest.fixture
def plain_file(tmp_path):
    """Centimetres, Y up, 60 frames a second."""
    empty_scene(24)
    write_bvh(tmp_path / "walk.bvh", small_takes.stand_and_walk())
    return tmp_path / "walk.bvh"


def test_blenders_importer_at_its_defaults_is_seen_refused_and_corrected(plain_file, tmp_path, capfd):
    """24 frames a second, and file units for metres: the performer is 175 m tall and slow."""
    suit = imported_at_defaults(plain_file)
    assert takemill.map_body() == {"FINISHED"}
    said = "".join(capfd.readouterr())
    assert "Warning" in said
    for words in ("m tall, and bodies are 0.3 to 4.5", "24 frames a second", "Import Take"):
        assert words in said
    takemill.check_take()
    tall, slow = messages(suit)[0], messages(suit)[-1]
    assert "scale the armature object" in tall
    assert "set Frame Rate under Output > Format" in slow
    takemill.add_clip()
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    with pytest.raises(RuntimeError, match=r"bodies are 0\.3 to 4\.5.*24 frames a second.*tick Accept"):
        takemill.pack_set()
    assert not (tmp_path / "set").exists()
    suit.scale = (0.01,) * 3
    bpy.context.view_layer.update()
    with pytest.raises(RuntimeError, match="24 frames a second"):
        takemill.pack_set()
    bpy.context.scene.render.fps = 60
    assert takemill.map_body() == {"FINISHED"}
    takemill.check_take()
    assert not messages(suit)
    assert takemill.pack_set() == {"FINISHED"}
    facts = json.loads((tmp_path / "set" / "clips.json").read_text(encoding="utf-8"))
    assert facts["clips"][0]["duration_s"] == pytest.approx(small_takes.stand_and_walk().duration_s, abs=0.02)


def test_what_is_meant_so_can_be_accepted(plain_file, tmp_path):
    imported_at_defaults(plain_file)
    takemill.map_body()
    takemill.add_clip()
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.intake_accept = str(tmp_path / "set"), True
    assert takemill.pack_set() == {"FINISHED"}


def test_an_axis_that_was_chosen_wrongly_is_seen(plain_file):
    suit = imported_at_defaults(plain_file, global_scale=0.01, axis_forward="Y", axis_up="Z")
    bpy.context.scene.render.fps = 60
    takemill.map_body()
    takemill.check_take()
    assert any("leg lengths above the feet" in one and "turn the armature" in one for one in messages(suit))
    suit.rotation_euler = (np.pi / 2, 0, 0)
    bpy.context.view_layer.update()
    takemill.map_body()
    takemill.check_take()
    assert not messages(suit)


def test_keys_set_by_hand_at_24_are_nobodys_default(tmp_path):
    """Few keys, or fewer than a second of them, are no capture."""
    empty_scene(24)
    suit = import_bvh(small_takes.stand_and_walk(), tmp_path)
    bpy.context.scene.render.fps = 24
    action = suit.animation_data.action
    assert intake.timing_problems(bpy.context.scene, action)
    for curve in action.layers[0].strips[0].channelbags[0].fcurves:
        for key in reversed(curve.keyframe_points[1:-1]):
            if key.co[0] % 6:
                curve.keyframe_points.remove(key, fast=True)
    assert not intake.timing_problems(bpy.context.scene, action)


def test_a_scene_whose_rate_changes_after_the_import_is_told_of(plain_file):
    suit = bring(plain_file)
    takemill.map_body()
    takemill.check_take()
    assert not messages(suit)
    bpy.context.scene.render.fps = 30
    takemill.check_take()
    assert any("are for 60 frames a second, and the scene plays 30" in one for one in messages(suit))
    takemill.repair_take()  # what is made of it says so too
    assert any("for 60 frames a second" in one for one in messages(suit))


def test_map_body_and_the_shell_say_the_same_line(take, capfd):
    suit = bring(take)
    capfd.readouterr()
    takemill.map_body()
    said = "".join(capfd.readouterr())
    assert cli.main(["check", str(take)]) == 0
    line = capfd.readouterr().out.splitlines()[0]
    assert f"Info: {line}, 60 frames a second" in said
    for operator in (takemill.check_take, takemill.repair_take, takemill.suggest_cuts):
        operator()
        assert line.split(": ", 1)[1] in "".join(capfd.readouterr())
    assert suit.animation_data.action.takemill.source.name == "walk"


@pytest.mark.parametrize("asked", ["", "1.0", "7f", "other.bvh", "rest"])
def test_a_reference_pose_is_the_same_as_in_the_shell(asked, take, tmp_path):
    suit = bring(take, tmp_path / "other.bvh")
    bpy.context.scene.takemill.intake_reference = asked
    takemill.map_body()
    work = stage.work_from_context(bpy.context)
    motion, body, _ = read_take(take, parse_recipe(f'[intake]\nreference = "{asked}"\n', "test"))
    assert work.body.names(work.take.motion.skeleton) == body.names(motion.skeleton)
    mine, yours = work.take.motion.skeleton, motion.skeleton
    order = [mine.names.index(name) for name in yours.names]
    assert np.abs(mine.reference_model[1][order] - yours.reference_model[1]).max() < 1e-4
    assert (mine.reference is None) == (yours.reference is None) == (asked == "rest")
    if asked != "rest":
        assert mine.reference.origin == yours.reference.origin
    assert suit.takemill.height_m == pytest.approx(mine.height, abs=1e-4)


def test_the_reference_pose_is_kept_and_found_again_when_something_changes(take):
    suit = bring(take)
    takemill.map_body()
    kept = suit.takemill.reference
    assert intake.last_reading(bpy.context, suit)[1]
    found = stage.work_from_context(bpy.context).take.motion.skeleton.reference
    bpy.context.scene.takemill.intake_reference = "20f"
    assert not intake.last_reading(bpy.context, suit)[1]
    assert stage.work_from_context(bpy.context).take.motion.skeleton.reference.origin == "frame 20"
    bpy.context.scene.takemill.intake_reference = ""
    suit.takemill.reference = kept.replace("[", "{", 1)  # somebody has changed it
    again = stage.work_from_context(bpy.context).take.motion.skeleton.reference
    assert np.allclose(again.rotation, found.rotation, atol=1e-6)
    assert again.origin == found.origin


def test_the_frame_at_hand_becomes_the_reference_pose(take):
    bring(take, start=100)
    before = {action.name: keys_of(action) for action in bpy.data.actions}
    bpy.context.scene.frame_set(130)
    assert takemill.reference_here() == {"FINISHED"}
    assert bpy.context.scene.takemill.intake_reference == "30f"
    assert stage.work_from_context(bpy.context).take.motion.skeleton.reference.origin == "frame 30"
    assert {action.name: keys_of(action) for action in bpy.data.actions} == before
    bpy.context.scene.frame_set(20)
    with pytest.raises(RuntimeError, match="lies outside of the take 'walk'"):
        takemill.reference_here()
    assert bpy.context.scene.takemill.intake_reference == "30f"


@pytest.mark.parametrize("asked", ["soon", "99999f", "missing.bvh"])
def test_a_reference_that_is_not_there_is_refused(asked, take):
    suit = bring(take)
    takemill.map_body()
    parts = [(part.name, part.bone) for part in suit.takemill.parts]
    bpy.context.scene.takemill.intake_reference = asked
    for operator in (takemill.map_body, takemill.check_take):
        with pytest.raises(RuntimeError, match="reference"):
            operator()
    assert [(part.name, part.bone) for part in suit.takemill.parts] == parts


def test_a_repaired_take_and_its_clips_stand_on_the_takes_reference_pose(take):
    """Not on their own: a clip of a run holds no upright moment."""
    suit = bring(take)
    takemill.map_body()
    raw = stage.work_from_context(bpy.context).take.motion.skeleton.reference
    suit.takemill.reference = ""
    takemill.repair_take()
    repaired = stage.work_from_context(bpy.context).take.motion.skeleton.reference
    assert repaired.origin == raw.origin
    assert np.allclose(repaired.rotation, raw.rotation, atol=1e-6)


def test_a_recipe_shows_its_intake_in_the_fields(take, tmp_path):
    bring(take)
    takemill.map_body()
    (tmp_path / "r.toml").write_text('[intake]\nreference = "30f"\naccept = true\n', encoding="utf-8")
    assert takemill.load_recipe(filepath=str(tmp_path / "r.toml")) == {"FINISHED"}
    chosen = bpy.context.scene.takemill
    assert (chosen.intake_reference, chosen.intake_accept) == ("30f", True)
    takemill.save_recipe(filepath=str(tmp_path / "saved.toml"))
    assert 'reference = "30f"' in (tmp_path / "saved.toml").read_text(encoding="utf-8")
    assert Recipe().intake.reference == ""


class Notes:
    """A layout that keeps its labels and fields."""

    def __init__(self) -> None:
        self.rows: list[str] = []
        self.alert, self.scale_y = False, 1.0

    def _part(self, **_: object) -> Notes:
        return self

    row = column = box = split = _part

    def panel(self, *_: object, **__: object):
        return self, None

    def label(self, text: str = "", **_: object) -> None:
        self.rows.append(text)

    def prop(self, owner, name: str, **_: object) -> None:
        assert name in owner.bl_rna.properties
        self.rows.append(name)

    def operator(self, name: str, **_: object) -> None:
        assert hasattr(takemill, name.removeprefix("takemill."))
        self.rows.append(name)


def drawn() -> str:
    notes = Notes()
    context = SimpleNamespace(
        scene=bpy.context.scene,
        view_layer=bpy.context.view_layer,
        preferences=SimpleNamespace(system=SimpleNamespace(ui_scale=1.0)),
        region=SimpleNamespace(width=600),
    )
    panel = SimpleNamespace(layout=notes)
    panel._draw_reading = lambda *args: TAKEMILL_PT_body._draw_reading(panel, *args)
    TAKEMILL_PT_body.draw_step(panel, context, stage.armature_of(context))
    return " ".join(notes.rows)


def test_the_panel_shows_the_line_and_says_when_it_is_old(take):
    suit = bring(take)
    takemill.map_body()
    text = drawn()
    for words in ("intake_reference", "unit cm, Y up", "reference pose: frame", "60 frames a second"):
        assert words in text
    assert "has changed" not in text
    assert "intake_accept" not in text
    suit.scale = (100,) * 3
    bpy.context.view_layer.update()
    assert "has changed" in drawn()
    takemill.map_body()
    text = drawn()
    assert "has changed" not in text
    assert "bodies are 0.3 to 4.5" in text
    assert "intake_accept" in text
