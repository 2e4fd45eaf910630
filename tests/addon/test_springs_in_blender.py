"""Chains and colliders kept with a character in Blender: found, marked, previewed, baked, saved, packed."""

from __future__ import annotations

import json
from dataclasses import replace

import bpy
import numpy as np
import pytest

from blender_scene import keys_of, skinned_cloth
from spring_foxes import TAIL, add_tail
from takemill.maths import quat
from takemill.recipe.recipe import parse_recipe, read_recipe
from takemill_addon.bridge.characters.springs import kept_spec
from takemill_addon.bridge.takes import recipe, stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def fox(tmp_path):
    """A walker with a tail of three bones behind its hips, which the take does not move."""
    return add_tail(tmp_path)


def playing(walker) -> bpy.types.Action:
    return walker.animation_data.action


def turns_of(walker, frames) -> np.ndarray:
    """The tail's own turns (F, 3, 4) as Blender poses them."""
    out = []
    for frame in frames:
        bpy.context.scene.frame_set(int(frame))
        out.append([np.array(walker.pose.bones[name].matrix_basis.to_quaternion()) for name in TAIL])
    return np.array(out)


def add_cut(walker, name, start, end, loop=False, root_motion="root"):
    cut = playing(walker).takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.loop, cut.root_motion = name, start, end, loop, root_motion
    cut.kind = "locomotion" if loop else "other"


def swung_deg(walker) -> float:
    first, last = map(int, playing(walker).frame_range)
    return float(np.degrees(quat.angle(turns_of(walker, range(first, last + 1, 5)))).max())


def test_chains_are_found_and_kept_with_the_character(fox, tmp_path):
    takemill.find_chains()
    (chain,) = fox.takemill.chains
    assert (chain.name, chain.first, chain.last, chain.preset) == ("tail", "tail_1", "tail_3", "tail")
    chain.preset, chain.stiffness, chain.center = "own", 0.7, fox.takemill.parts["hips"].bone
    fox.data.bones.active = fox.data.bones[fox.takemill.parts["hips"].bone]
    takemill.add_collider()
    fox.takemill.colliders[0].radius = 0.08
    path = tmp_path / "kept.blend"
    bpy.ops.wm.save_as_mainfile(filepath=str(path))
    bpy.ops.wm.open_mainfile(filepath=str(path))
    kept = stage.armature_of(bpy.context)
    assert kept.takemill.chains[0].stiffness == pytest.approx(0.7)
    assert kept.takemill.colliders[0].radius == pytest.approx(0.08)


def test_the_preview_swings_and_leaves_nothing(fox):
    takemill.find_chains()
    raw, before = playing(fox), keys_of(playing(fox))
    count = len(bpy.data.actions)
    fox.pose.bones["tail_2"].rotation_quaternion = stood = (0.8, 0.6, 0.0, 0.0)  # no key holds it there
    takemill.preview_swing()
    assert playing(fox) != raw
    assert swung_deg(fox) > 5
    takemill.preview_swing()  # renewed
    assert len(bpy.data.actions) == count + 1
    takemill.stop_loop()
    assert playing(fox) == raw
    assert len(bpy.data.actions) == count
    assert keys_of(raw) == before
    np.testing.assert_allclose(turns_of(fox, (100, 200))[:, 1], [stood] * 2, atol=1e-6)
    np.testing.assert_allclose(np.abs(turns_of(fox, (100, 200))[:, 0, 0]), 1, atol=1e-6)


def test_swing_chains_writes_a_new_action_and_not_twice(fox):
    takemill.find_chains()
    raw, before = playing(fox), keys_of(playing(fox))
    takemill.preview_swing()
    takemill.swing_chains()
    new = playing(fox)
    assert (new.takemill.source, new.takemill.looping) == (raw, False)
    assert keys_of(raw) == before
    assert swung_deg(fox) > 5


def test_made_clips_swing_and_are_packed_so(fox, tmp_path):
    """Loops close with their tails; a clip that was made before its chains were named swings when packed."""
    skinned_cloth(fox)
    add_cut(fox, "early", 150, 250)
    takemill.make_clips()
    playing(fox).takemill.cuts.clear()
    takemill.find_chains()
    add_cut(fox, "walk", 130, 330, loop=True)
    takemill.make_clips()
    takemill.play_clip(index=1)
    first, last = map(int, playing(fox).frame_range)
    ends = turns_of(fox, (first, last))
    assert quat.angle_between(ends[0], ends[1]).max() < 1e-5
    assert swung_deg(fox) > 5
    with pytest.raises(RuntimeError, match="its chains swing already"):
        takemill.swing_chains()
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    takemill.pack_set()
    said = {one["name"]: one for one in json.loads((tmp_path / "set" / "clips.json").read_bytes())["clips"]}
    for name in ("early", "walk"):
        assert said[name]["springs"] == {"chains": {"tail": list(TAIL)}, "gap_mm": 0.0}


def test_a_recipe_s_springs_count_and_are_saved_from_the_list(fox, tmp_path):
    text = f'[characters."{fox.name}".springs]\nfind = true\n'
    recipe.show_recipe(bpy.context.scene, parse_recipe(text), text)
    takemill.swing_chains()  # the recipe alone
    assert swung_deg(fox) > 5
    takemill.play_source()
    takemill.find_chains()
    fox.takemill.chains[0].preset = "strap"
    takemill.save_recipe(filepath=str(tmp_path / "saved.toml"))
    (chain,) = read_recipe(tmp_path / "saved.toml").characters[fox.name].springs.chains.values()
    assert (chain.first, chain.last, chain.preset) == ("tail_1", "tail_3", "strap")


def test_a_list_filled_from_a_recipe_says_the_same_again(fox):
    """Presets, numbers, directions, colliders of its own, balls and capsules."""
    hips = fox.takemill.parts["hips"].bone
    text = f"""[characters."{fox.name}".springs.chains.tail]
from = "tail_1"
to = "tail_2"
stiffness = 0.7
drag = 0.25
gravity = 0.1
gravity_dir = [0.0, 1.0, 0.0]
radius = 0.03
colliders = ["ball"]
center = "{hips}"
[characters."{fox.name}".springs.chains.tip]
from = "tail_3"
preset = "strap"
[characters."{fox.name}".springs.colliders.ball]
joint = "{hips}"
radius = 0.1
[characters."{fox.name}".springs.colliders.leg]
joint = "{hips}"
offset = [0.1, 0.0, 0.0]
tail = [0.1, -0.3, 0.0]
radius = 0.08
"""
    asked = parse_recipe(text)
    recipe.show_recipe(bpy.context.scene, asked, text)
    takemill.find_chains()
    want, found = asked.characters[fox.name].springs, kept_spec(fox)
    assert found.colliders == want.colliders
    assert found.chains["tail"] == replace(want.chains["tail"], last="tail_2")
    assert found.chains["tip"] == replace(want.chains["tip"], last="tail_3", colliders=())


def test_marked_bones_become_a_chain(fox):
    bpy.ops.object.mode_set(mode="POSE")
    stage.select_bone(bpy.context, fox, "tail_1")
    holder = fox.pose.bones["tail_2"]
    (holder if hasattr(holder, "select") else holder.bone).select = True
    takemill.add_chain()
    (chain,) = fox.takemill.chains
    assert (chain.name, chain.first, chain.last) == ("tail_1", "tail_1", "tail_2")
    takemill.remove_chain()
    assert not fox.takemill.chains


def branched(fox):
    bpy.ops.object.mode_set(mode="POSE")
    for bone in fox.pose.bones:
        (bone if hasattr(bone, "select") else bone.bone).select = bone.name in (
            "tail_1",
            fox.takemill.parts["head"].bone,
        )
    takemill.add_chain()


def stiff(fox):
    takemill.find_chains()
    fox.takemill.chains[0].preset, fox.takemill.chains[0].stiffness = "own", 1e6
    takemill.swing_chains()


def shared(fox):
    takemill.find_chains()
    other = fox.takemill.chains.add()
    other.name, other.first = "tip", "tail_2"
    takemill.swing_chains()


def gone(fox):
    takemill.find_chains()
    fox.takemill.chains[0].first = "tale"
    takemill.make_clips()


@pytest.mark.parametrize(
    ("act", "message"),
    [
        (branched, "the selected bones are not one chain"),
        (stiff, "stiffness 1e\\+06 holds its bone"),
        (shared, "chain 'tip': joint 'tail_2' is in chain 'tail' too"),
        (gone, "there is no joint 'tale'"),
        (lambda _: takemill.swing_chains(), "no chain of it swings; press Find Chains"),
    ],
)
def test_what_cannot_swing_is_reported_and_changes_nothing(fox, act, message):
    add_cut(fox, "walk", 130, 330)
    count = len(bpy.data.actions)
    with pytest.raises(RuntimeError, match=message):
        act(fox)
    assert len(bpy.data.actions) == count
