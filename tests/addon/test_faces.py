"""Shape keys that an Action moves play on in every clip that Pack writes, and what cannot is said."""

from __future__ import annotations

import json

import bpy
import numpy as np
import pytest

import hand_takes
import synthetic
from blender_scene import empty_scene, import_bvh, skinned_cloth, write_curves
from face_bodies import talk
from node_parties import validator_issues
from takemill.files.glb_read import GlbScene
from takemill.recipe.recipe import read_recipe
from takemill.sets.verify import verify_set
from takemill_addon.bridge.characters.faces import with_faces
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
MEET_S = 1.5 + np.arange(5) - 0.03  # when the hands of hand_takes.clap meet
SHAPES = ("jawOpen", "blinkLeft", "blinkRight")


def add_shapes(armature, frames=range(1, 260, 3), weights=talk, at_s=0.0) -> bpy.types.Object:
    """The cloth with three shapes and an Action that moves them by Bezier keys, 60 frames a second."""
    skinned_cloth(armature)
    cloth = next(one for one in bpy.data.objects if one.type == "MESH")
    cloth.shape_key_add(name="Basis")
    for k, name in enumerate(SHAPES):
        key = cloth.shape_key_add(name=name)
        key.data[k].co.z += 0.1 * (k + 1)
    keys = cloth.data.shape_keys
    action = bpy.data.actions.new("talk")
    slot = action.slots.new("KEY", keys.name)
    bag = action.layers.new("Layer").strips.new(type="KEYFRAME").channelbag(slot, ensure=True)
    values = weights(np.array(frames) / 60 + at_s)
    for name, column in zip(SHAPES, values.T, strict=True):
        write_curves(bag, f'key_blocks["{name}"].value', np.array(frames), column[:, None])
    for curve in bag.fcurves:
        curve.keyframe_points.foreach_set("interpolation", np.full(len(frames), 2, np.uint8))
        curve.update()
    data = keys.animation_data_create()
    data.action, data.action_slot = action, slot
    return cloth


@pytest.fixture
def character(tmp_path):
    empty_scene(60)
    armature = import_bvh(synthetic.walk(rate=60.0, steps=5).motion, tmp_path)
    stage.activate(bpy.context, armature)
    assert takemill.map_body() == {"FINISHED"}
    action = armature.animation_data.action
    for name, start, end, loop in (("go", 10, 80, False), ("walk", 60, 180, True)):
        cut = action.takemill.cuts.add()
        cut.root_motion = "in_place"
        cut.name, cut.start, cut.end, cut.kind, cut.loop = name, start, end, "other", loop
    return armature


def make_and_pack(armature, folder):
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(folder), "set"
    if not armature.takemill.clips:
        assert takemill.make_clips() == {"FINISHED"}
    stage.activate(bpy.context, armature)
    assert takemill.pack_set() == {"FINISHED"}
    data = (folder / "set.glb").read_bytes()
    return GlbScene(data, "set.glb"), json.loads((folder / "clips.json").read_text()), data


def weights(scene, clip) -> np.ndarray:
    (curve,) = scene.weights[clip["name"]]
    assert curve.names == SHAPES
    times = np.arange(clip["frames"]) / clip["rate"]
    return np.stack([np.interp(times, curve.times, one) for one in curve.values.T], axis=1)


def curves_of(mesh, frames) -> np.ndarray:
    data = mesh.data.shape_keys.animation_data
    (strip,) = data.action.layers[0].strips
    bag = strip.channelbag(data.action_slot)
    found = [bag.fcurves.find(f'key_blocks["{name}"].value') for name in SHAPES]
    return np.array([[np.clip(one.evaluate(frame), 0, 1) for frame in frames] for one in found]).T


@pytest.mark.parametrize(("rate", "shift"), [(60, 0.0), (24, 37.5)])
def test_weights_are_the_curves_at_the_clips_moments(character, tmp_path, rate, shift):
    """Within 1e-3 of the F-curves at the clip's own times, at the set's rate, shifted by parts of a frame."""
    mesh = add_shapes(character)
    bpy.context.scene.takemill.set_rate = rate
    character.takemill.face_offset = shift
    scene, said, data = make_and_pack(character, tmp_path / "set")
    assert [one for one in validator_issues(data) if one["severity"] < 2] == []
    assert verify_set(tmp_path / "set")[0] == ()
    assert [one.problems for one in verify_set(tmp_path / "set")[1]] == [(), ()]
    go, walk = said["clips"]
    moments = 1 + go["source"]["frames"][0] + np.arange(go["frames"]) * 60 / go["rate"] - shift
    right = curves_of(mesh, moments.tolist())
    assert np.ptp(right[:, 0]) > 0.5
    assert np.abs(weights(scene, go) - right).max() <= 1e-3
    played = weights(scene, walk)
    assert np.abs(played[0] - played[-1]).max() <= 1e-6
    assert played.min() >= 0
    assert played.max() <= 1


@pytest.mark.parametrize("clap", [False, True])
def test_offset_and_clap_go_into_the_recipe_and_come_back(tmp_path, clap):
    """As `pack --to` means them: scene frame F lies at F / 60 s of the exported animation."""
    empty_scene(60)
    armature = import_bvh(hand_takes.clap(60.0).motion, tmp_path)
    stage.activate(bpy.context, armature)
    takemill.map_body()
    add_shapes(armature)
    kept, start = armature.takemill, armature.animation_data.action.frame_range[0]
    kept.face_offset = 37.5
    if clap:
        kept.face_clap = 40.0
        takemill.align_face()
    offset = kept.face_offset
    takemill.save_recipe(filepath=str(tmp_path / "r.toml"))
    said = read_recipe(tmp_path / "r.toml").characters[armature.name].face
    assert said.animation == "talk"
    if clap:
        assert said.clap_s == pytest.approx(40 / 60, abs=1e-5)
        assert said.offset_s == pytest.approx(0, abs=1e-5)
    else:
        assert (said.clap_s, said.offset_s) == (None, pytest.approx((37.5 - start) / 60, abs=1e-5))
    kept.face_offset = kept.face_clap = 0.0
    takemill.load_recipe(filepath=str(tmp_path / "r.toml"))
    assert kept.face_offset == pytest.approx(offset, abs=1e-3)
    assert kept.face_clap == pytest.approx(40.0 if clap else 0.0, abs=1e-3)
    text = (tmp_path / "r.toml").read_text().replace('"talk"', '"other"')
    (tmp_path / "r.toml").write_text(text)
    kept.face_offset = 5.0
    takemill.load_recipe(filepath=str(tmp_path / "r.toml"))
    assert kept.face_offset == 5.0  # of a GLB's animation, which is said


def test_without_a_tolerance_weights_are_the_curves(character, tmp_path):
    """Within 1e-6 of the F-curves, Bezier keys, on the frames of a clip that is neither loop nor blended."""
    mesh = add_shapes(character)
    text = bpy.context.scene.takemill
    text.recipe = "[reduce]\nmax_error_weight = 1e-9\n"
    scene, said, _ = make_and_pack(character, tmp_path / "set")
    go = said["clips"][0]
    moments = 1 + go["source"]["frames"][0] + np.arange(go["frames"]) * 60 / go["rate"]
    right = curves_of(mesh, moments.tolist())
    assert np.ptp(right[:, 0]) > 0.5
    assert np.abs(weights(scene, go) - right).max() <= 1e-6
    assert go["keys"]["max_error_weight"] <= 1e-6


def test_shapes_in_nla_strips_are_said(character, tmp_path):
    """An action that only a strip of the NLA plays is not packed, and Pack says what to do."""
    mesh = add_shapes(character)
    data = mesh.data.shape_keys.animation_data
    track = data.nla_tracks.new()
    track.strips.new("talk", 1, data.action)
    data.action = None
    _, said, _ = make_and_pack(character, tmp_path / "set")
    assert said["clips"][0]["faces"] == {}
    (note,) = with_faces(bpy.context, character, (), {}, "")[1]
    assert note == f"{mesh.name}: shape keys in NLA strips are not packed; make their action the active one"


def _drive(mesh):
    mesh.data.shape_keys.key_blocks["jawOpen"].driver_add("value")


def _mute(mesh):
    mesh.data.shape_keys.key_blocks["blinkLeft"].mute = True


def _narrow(mesh):
    mesh.data.shape_keys.key_blocks["jawOpen"].slider_max = 0.5


@pytest.mark.parametrize(
    ("harm", "words"),
    [(_drive, "remove the driver"), (_mute, "unmute it"), (_narrow, "widen the range")],
)
def test_shapes_that_cannot_be_packed_as_they_play_are_named(character, tmp_path, harm, words):
    """A driver, a muted key or weights out of range: one message with a way out, and no set is written."""
    harm(add_shapes(character))
    with pytest.raises(RuntimeError, match=words):
        make_and_pack(character, tmp_path / "set")
    assert not (tmp_path / "set").exists()


def test_a_driver_without_keys_is_said(character, tmp_path):
    """Shapes that a driver moves stay still, and Pack says which and what to do."""
    mesh = add_shapes(character)
    data = mesh.data.shape_keys.animation_data
    data.action = None
    _drive(mesh)
    scene, said, _ = make_and_pack(character, tmp_path / "set")
    assert said["clips"][0]["faces"] == {}
    assert scene.weights["go"] == []
    notes = with_faces(bpy.context, character, (), {}, "")[1]
    assert notes == (f"{mesh.name}: shape keys with drivers stay still (jawOpen); bake them to keys",)


def test_a_face_is_aligned_by_a_clap(tmp_path):
    """A face whose peak lies 37.5 frames off a clap falls on it, within half a frame of the clips' 30.

    The scene plays 60 frames a second, and the peak is the clap that the user names.
    """
    empty_scene(60)
    armature = import_bvh(hand_takes.clap(60.0).motion, tmp_path)
    stage.activate(bpy.context, armature)
    assert takemill.map_body() == {"FINISHED"}
    start = armature.animation_data.action.frame_range[0]
    clap = start + 60 * MEET_S[0]
    peak = clap - 37.5

    def spike(seconds):
        return np.tile(np.clip(1 - np.abs(seconds * 60 - peak) / 8, 0, 1)[:, None], (1, 3))

    mesh = add_shapes(armature, range(1, 200), spike)
    assert takemill.align_face.poll()
    armature.takemill.face_clap = peak
    assert takemill.align_face() == {"FINISHED"}
    claps = start + 60 * MEET_S  # five that are alike: any of them may be the sharpest
    clap = claps[np.abs(claps - armature.takemill.face_offset - peak).argmin()]
    cut = armature.animation_data.action.takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.root_motion = "clap", 60, 400, "other", "in_place"
    bpy.context.scene.takemill.set_rate = 30
    scene, said, _ = make_and_pack(armature, tmp_path / "set")
    (clip,) = said["clips"]
    played = weights(scene, clip)[:, 0]
    at = start + clip["source"]["frames"][0] + 2 * float(np.average(np.arange(len(played)), weights=played))
    assert abs(at - clap) <= 0.5 * 60 / 30
    mesh.data.shape_keys.animation_data.action = None
    assert not takemill.align_face.poll()
