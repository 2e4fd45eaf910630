"""What overlays hand to `gpu`; the bpy module has no window: overlays_table.py looks at pixels."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest
from mathutils import Matrix, Vector

from drawn import in_world, shown
from takemill_addon import overlays, translations
from takemill_addon.bridge.scene import actions
from takemill_addon.bridge.takes import stage
from takemill_addon.overlays import draw, facts, strokes, timeline
from takemill_addon.overlays.view import EDITS, View
from takemill_addon.properties.preferences import names_of, overlay_settings

SAMPLE = Path(__file__).resolve().parents[2] / "sample_blends/marsh_ferry.blend"
WALK = (1930, 2010)  # frames of the sample in which the performer walks


@pytest.fixture
def suit(addon):  # noqa: ARG001 (registered first)
    """The sample's performer, moved, turned and twice as large, with two findings on its take."""
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    armature = bpy.data.objects["Suit"]
    stage.activate(bpy.context, armature)
    armature.location, armature.rotation_euler, armature.scale = (3, -2, 0.5), (0, 0, 1.2), (2, 2, 2)
    bpy.context.view_layer.update()
    bpy.ops.takemill.map_body()
    for kind, part, start, stop in (("spike", "leftHand", 100, 103), ("jitter", "rightFoot", 0, 7200)):
        one = armature.animation_data.action.takemill.findings.add()
        one.kind, one.joint, one.start, one.stop = kind, bone_of(armature, part), start, stop
    return armature


def bone_of(armature: bpy.types.Object, part: str) -> str:
    return next(one.bone for one in armature.takemill.parts if one.name == part)


def head(armature: bpy.types.Object, bone: str, frame: int) -> np.ndarray:
    """Where a bone begins at a frame, as Blender says."""
    bpy.context.scene.frame_set(frame)
    return np.array(armature.matrix_world @ armature.pose.bones[bone].head)


def add_cut(armature: bpy.types.Object, start: int, end: int, loop: bool = True) -> bpy.types.PropertyGroup:
    known = armature.animation_data.action.takemill
    cut = known.cuts.add()
    cut.name, cut.start, cut.end, cut.loop = "walk", start, end, loop
    known.cut_index = len(known.cuts) - 1
    return cut


@pytest.mark.usefixtures("addon")
def test_every_overlay_has_a_switch_and_every_switch_an_overlay():
    in_view = {f"show_{one.switch}" for one in overlays.OVERLAYS}
    in_time = {f"show_time_{name}" for name in timeline.MAKERS}
    assert in_view | in_time == {*names_of("show_")}
    assert {f"show_{name}" for name in overlays.OF_FACTS} <= in_view | in_time


def test_findings_lie_on_their_bones_while_they_last(suit):
    hand, foot = (suit.pose.bones[bone_of(suit, part)] for part in ("leftHand", "rightFoot"))
    bpy.context.scene.frame_set(101)
    drawing = shown("findings")
    thin, thick = drawing.strokes
    np.testing.assert_allclose(thick.points, [hand.head, hand.tail], atol=1e-5)
    np.testing.assert_allclose(thin.points, [foot.head, foot.tail], atol=1e-5)
    assert thick.width_px > thin.width_px
    np.testing.assert_allclose(thick.colours[0, :3], overlay_settings(bpy.context).colour_spike, atol=1e-6)
    assert [one.text for one in drawing.labels] == [f"{hand.name}: spike"]
    bpy.context.scene.frame_set(103)
    assert len(shown("findings").strokes) == 1
    whole = next(one for one in suit.animation_data.action.takemill.findings if one.kind == "jitter")
    whole.repaired = True
    bpy.context.scene.frame_set(102)
    (stroke,) = shown("findings").strokes
    assert stroke.width_px == thick.width_px, "what was repaired in the whole take tells nothing here"


@pytest.mark.parametrize(
    ("part", "off"), [("head", ""), ("head", "use_inherit_rotation"), ("hips", "use_local_location")]
)
def test_the_ghost_is_the_raw_take_as_blender_poses_it(suit, part, off):
    """Also where a bone does not turn with the one above it, or moves along its axes."""
    if off:
        setattr(suit.data.bones[bone_of(suit, part)], off, False)
    raw = suit.animation_data.action
    repaired = raw.copy()
    repaired.takemill.source, repaired.takemill.repaired = raw, True
    bag = actions.channelbag(repaired, actions.slot_for(repaired, suit))
    curve = next(one for one in bag.fcurves if one.data_path.endswith("location"))
    curve.keyframe_points.clear()
    curve.keyframe_points.insert(1950, 40.0)
    actions.assign(suit, repaired, repaired.slots[0])
    overlay_settings(bpy.context).ghost_aside_m = 1.0
    bpy.context.scene.frame_set(1950)
    ghost, away = shown("ghost"), in_world(shown("ghost"), 0).reshape(-1, 2, 3)
    actions.assign(suit, raw, raw.slots[0])
    bpy.context.scene.frame_set(1950)
    names = [bone.name for bone in suit.data.bones]
    place = suit.matrix_world
    beside = np.array(place.to_3x3() @ Vector((1, 0, 0))) / place.median_scale
    bones = [suit.pose.bones[name] for name in names]
    there = np.array([[place @ bone.head, place @ bone.tail] for bone in bones])
    np.testing.assert_allclose(away - beside, there, atol=2e-4)
    assert [one.text for one in ghost.labels] == ["raw"]
    assert shown("ghost") == draw.Drawing()


def test_the_path_lies_under_the_hips_and_what_a_cut_takes_is_said(suit):
    hips = bone_of(suit, "hips")
    first, last = (head(suit, hips, frame) for frame in WALK)
    add_cut(suit, *WALK)
    drawing = shown("root_path")
    taken = in_world(drawing, 2)
    np.testing.assert_allclose(taken[[0, -1], :2], [first[:2], last[:2]], atol=1e-4)
    away = np.linalg.norm((last - first)[:2])
    assert drawing.labels[0].text.startswith(f"On Root Bone: {away:.2f} m, turns ")
    upright = in_world(shown("root_now"), 1)
    np.testing.assert_allclose(upright[1], last, atol=1e-4)
    whole = in_world(drawing, 0).reshape(-1, 2, 3)[..., :2]
    for frame in range(*WALK, 16):  # some hundred lines show 7,200 frames within 3 mm, twice as large
        under = head(suit, hips, frame)[:2]
        way = whole[:, 1] - whole[:, 0]
        share = ((under - whole[:, 0]) * way).sum(axis=1) / np.maximum((way * way).sum(axis=1), 1e-12)
        off = np.linalg.norm(whole[:, 0] + np.clip(share, 0, 1)[:, None] * way - under, axis=1)
        assert off.min() < 2 * 0.003 + 1e-4
    assert len(whole) < 500


def test_trails_pass_under_the_ankles_thick_where_feet_stand(suit):
    middle = sum(WALK) // 2
    ankle = head(suit, bone_of(suit, "leftFoot"), middle)
    drawing = shown("feet")
    trails = [k for k, one in enumerate(drawing.strokes) if one.width_px < 2]
    reach = round(overlay_settings(bpy.context).trail_s * 60)
    assert len(trails) == 2
    assert [len(drawing.strokes[k].points) for k in trails] == [2 * 2 * reach] * 2
    sole = in_world(drawing, trails[0])[2 * reach]
    assert np.linalg.norm((sole - ankle)[:2]) < 2 * 0.15  # half a foot, twice as large
    assert 0 < ankle[2] - sole[2] < 2 * 0.15
    planted = [k for k, one in enumerate(drawing.strokes) if one.width_px > 4]
    heights = np.concatenate([in_world(drawing, k)[:, 2] for k in planted])
    assert np.ptp(heights) < 2 * 0.08
    ends = in_world(drawing, planted[0]).reshape(-1, 2, 3)
    gone_on = np.linalg.norm(ends[1:, 0] - ends[:-1, 1], axis=-1) < 1e-4  # a line begins where the last ends
    assert len(planted) == 2
    assert 2 <= np.count_nonzero(~gone_on) <= 6, "a foot stands several times in four seconds of walking"
    np.testing.assert_allclose(
        drawing.strokes[0].colours[:3], overlay_settings(bpy.context).colour_left, atol=1e-6
    )


def test_arrows_are_as_long_as_feet_slide(suit):
    """The whole take glides by 0.1 m a second on top of what its feet slide by themselves."""
    action, hips = suit.animation_data.action, bone_of(suit, "hips")
    bpy.context.scene.frame_set(130)
    own = {one.foot: one for one in facts.facts_of(View.of(bpy.context)).plants if one.start < 130 < one.stop}
    before = head(suit, hips, 60), head(suit, hips, 120)
    bag = actions.channelbag(action, actions.slot_for(action, suit))
    curve = next(
        one
        for one in bag.fcurves
        if one.data_path == f'pose.bones["{hips}"].location' and not one.array_index
    )
    for key in curve.keyframe_points:
        key.co[1] += 0.1 / 60 * key.co[0]
    curve.update()
    bpy.context.view_layer.update()
    after = head(suit, hips, 60), head(suit, hips, 120)
    glide = (after[1] - before[1]) - (after[0] - before[0])  # in a second
    assert 0.05 < np.linalg.norm(glide) < 0.3
    bpy.context.scene.frame_set(130)
    drawing = shown("feet")
    arrows = [k for k, one in enumerate(drawing.strokes) if 2 < one.width_px < 4]
    plants = [one for one in facts.facts_of(View.of(bpy.context)).plants if one.start < 130 < one.stop]
    assert {one.foot for one in plants} == {"leftFoot", "rightFoot"} == {*own}
    for plant in plants:
        wanted = glide * (plant.stop - 1 - plant.start) / 60
        near = min(
            (in_world(drawing, k)[:2] for k in arrows),
            key=lambda ends: np.linalg.norm(ends[1] - ends[0] - wanted),
        )
        assert np.linalg.norm((near[1] - near[0] - wanted)[:2]) < 0.2 * np.linalg.norm(wanted)
    lengths = [np.linalg.norm(drawing.strokes[k].points[1] - drawing.strokes[k].points[0]) for k in arrows]
    assert [one.text for one in drawing.labels] == [f"{100 * length:.1f} cm" for length in lengths]
    assert min(lengths) >= 0.01


@pytest.mark.usefixtures("suit")
def test_the_floor_lies_under_planted_feet():
    bpy.context.scene.frame_set(WALK[0])
    drawing, trails = shown("floor"), shown("feet")
    level = np.unique(np.round(in_world(drawing, 1)[:, 2], 6))
    assert len(level) == 1
    planted = [k for k, one in enumerate(trails.strokes) if one.width_px > 4]
    heights = np.concatenate([in_world(trails, k)[:, 2] for k in planted])
    assert abs(np.median(heights) - level[0]) < 2 * 0.02
    assert drawing.labels[0].text.startswith("floor")


def test_a_seam_shows_both_poses_and_names_the_widest_gap(suit):
    hand = bone_of(suit, "leftHand")
    add_cut(suit, *WALK)
    last = head(suit, hand, WALK[1])
    drawing = shown("seam")
    there = in_world(drawing, 0)
    assert np.linalg.norm(there - last, axis=-1).min() < 1e-4
    gaps = drawing.strokes[2].points.reshape(-1, 2, 3)
    widest = 100 * np.linalg.norm(gaps[:, 1] - gaps[:, 0], axis=-1).max()
    assert drawing.labels[0].text.endswith(f": {widest:.1f} cm")
    assert drawing.labels[0].text.split(":")[0] in suit.pose.bones
    suit.animation_data.action.takemill.cuts[0].loop = False
    assert shown("seam") == draw.Drawing()


def test_a_contact_shows_how_near_it_is_and_whether_it_is_kept(suit, monkeypatch):
    contact = suit.animation_data.action.takemill.contacts.add()
    contact.name, contact.part, contact.on, contact.kind = "a clap", "leftHand", "rightHand", "hands"
    contact.start, contact.stop, contact.off_mm = 1900, 2000, 4.0
    hands = [head(suit, bone_of(suit, part), 1950) for part in ("leftHand", "rightHand")]
    drawing = shown("goals")
    ends = in_world(drawing, 0)
    for end, hand in zip(ends, hands, strict=True):
        assert np.linalg.norm(end - hand) < 2 * 0.15  # amid the hand
    assert drawing.labels[0].text.startswith("a clap: ")
    assert drawing.labels[0].text.endswith(" mm between, 4 mm off in the last fit")
    apart_mm = float(drawing.labels[0].text.split()[2])
    assert 0 < apart_mm < 1000 * np.linalg.norm(hands[0] - hands[1])
    contact.keep = False
    assert shown("goals").strokes[0].width_px < drawing.strokes[0].width_px
    assert shown("goals").labels[0].text == "a clap: not kept"
    made_up = {
        "{:.0f} mm between": "{:.0f} mm tussen",
        "{}: {}, {:.0f} mm off in the last fit": "{}: {}, {:.0f} mm mis",
    }
    there = SimpleNamespace(pgettext_iface=lambda text: made_up.get(text, text))
    monkeypatch.setattr(translations, "bpy", SimpleNamespace(app=SimpleNamespace(translations=there)))
    contact.keep = True
    assert shown("goals").labels[0].text == f"a clap: {apart_mm:.0f} mm tussen, 4 mm mis"
    bpy.context.scene.frame_set(2000)
    assert shown("goals") == draw.Drawing()


def test_labels_end_where_the_sidebar_begins():
    label = strokes.Label("LeftFoot: skating", (0.0, 0.0, 0.0), (1.0, 1.0, 1.0, 1.0))
    for middle, ends_there in ((1000, False), (1100, True), (1400, False)):  # the place; the last is covered
        seen = Matrix.Translation((2 * middle / 1500 - 1, 0.0, 0.0))
        (one,) = strokes.placed([label], {"WORLD": Matrix()}, (1500, 900), 1200, seen, 2.0)
        assert one.width > 150
        assert (one.x + one.width == pytest.approx(1200)) == ends_there
        assert ends_there or one.x == pytest.approx(middle, abs=20)


def test_a_drawing_is_made_again_only_when_something_has_changed(suit):
    bpy.context.scene.frame_set(101)
    first, path = shown("findings"), shown("root_path")
    assert shown("findings") is first
    bpy.context.scene.frame_set(102)
    assert shown("findings") is not first
    assert shown("root_path") is path
    overlay_settings(bpy.context).colour_spike = (1, 0, 0)
    assert shown("root_path") is not path
    suit.animation_data.action.takemill.findings.clear()
    suit.animation_data.action.update_tag()
    bpy.context.view_layer.update()
    assert shown("findings").strokes == []


def test_a_click_on_a_row_does_not_read_the_take_again(suit):
    before = facts.facts_of(View.of(bpy.context))
    suit.animation_data.action.takemill.findings.clear()
    suit.animation_data.action.update_tag()
    bpy.context.view_layer.update()
    assert facts.facts_of(View.of(bpy.context)) is before
    bag = actions.channelbag(suit.animation_data.action, actions.slot_for(suit.animation_data.action, suit))
    bag.fcurves[0].keyframe_points[5].co[1] += 0.1
    bag.fcurves[0].update()
    bpy.context.view_layer.update()
    assert facts.facts_of(View.of(bpy.context)) is not before


def test_a_thread_finds_what_is_found_at_once(suit):
    view = View.of(bpy.context)
    at_once = facts.facts_of(view)
    facts.detach()
    facts._want(view, view.take_key)
    while facts._step() is not None:
        pass
    found = facts._STATE.found[view.take_key]
    np.testing.assert_array_equal(found.soles, at_once.soles)
    np.testing.assert_array_equal(found.root.position, at_once.root.position)
    assert not bpy.app.timers.is_registered(facts._step) or bpy.app.timers.unregister(facts._step) is None
    assert suit.animation_data.action is not None


def test_a_take_whose_pose_is_evaluated_is_read_when_asked(suit):
    suit.pose.bones[bone_of(suit, "head")].constraints.new("LIMIT_ROTATION").use_limit_x = True
    suit.animation_data.action.use_frame_range = True
    suit.animation_data.action.frame_start, suit.animation_data.action.frame_end = 1900, 2000
    bpy.context.view_layer.update()
    view = View.of(bpy.context)
    facts.detach()
    facts._want(view, view.take_key)
    while facts._step() is not None:
        pass
    assert facts.problem_of(view) == "its pose must be evaluated frame by frame"
    assert shown("feet") == draw.Drawing()
    bpy.ops.takemill.read_take()
    assert facts.problem_of(View.of(bpy.context)) == ""
    assert shown("feet").strokes


def test_reading_stops_when_what_is_read_goes(suit):
    for change in ("keys", "object"):
        view = View.of(bpy.context)
        facts.detach()
        facts._want(view, view.take_key)
        assert facts._step() is not None
        assert facts._STATE.steps is not None
        if change == "keys":
            EDITS.note(keys=True)
        else:
            bpy.data.objects.remove(suit)
        while facts._step() is not None:
            pass
        assert facts._STATE.steps is None
        assert facts._STATE.found == {}


def test_nothing_is_drawn_without_an_armature_or_an_action(suit):
    suit.animation_data.action = None
    assert View.of(bpy.context) is None
    bpy.context.view_layer.objects.active = None
    assert View.of(bpy.context) is None
    bpy.ops.wm.read_homefile(use_empty=True)
    assert View.of(bpy.context) is None


def all_of_them() -> list[draw.Drawing]:
    """What all overlays show, and that bars can be made."""
    view = View.of(bpy.context)
    for name in names_of("show_"):
        setattr(view.settings, name, True)
    timeline.key(view)
    timeline.bars(view)
    return [shown(one.name) for one in overlays.OVERLAYS]


def renamed(suit):
    suit.data.bones[bone_of(suit, "leftHand")].name = "renamed"


def no_body(suit):
    suit.takemill.parts.clear()


def no_keys(suit):
    actions.channelbag(suit.animation_data.action, suit.animation_data.action_slot).fcurves.clear()
    suit.animation_data.action.update_tag()
    suit.update_tag(refresh={"TIME"})


def no_bones(suit):
    bpy.ops.object.mode_set(mode="EDIT")
    for bone in list(suit.data.edit_bones)[3:]:
        suit.data.edit_bones.remove(bone)
    bpy.ops.object.mode_set(mode="OBJECT")


def uneven(suit):
    suit.scale = (1, 2, 1)


def nothing_left(suit):
    suit.scale = (0, 0, 0)


def frames_gone(suit):
    bpy.context.scene.frame_set(-500)
    add_cut(suit, -900, 99_999)


def damaged(suit):
    suit.animation_data.action.takemill.record = "{"


def other_scene(suit):
    other = bpy.data.scenes.new("other")
    other.collection.objects.link(suit)
    other.view_layers[0].objects.active = suit
    bpy.context.window.scene = other
    other.render.fps = 24


@pytest.mark.parametrize(
    "change",
    [renamed, no_body, no_keys, no_bones, uneven, nothing_left, frames_gone, damaged, other_scene],
    ids=lambda one: one.__name__,
)
def test_odd_states_show_less_and_raise_nothing(suit, change):
    bpy.context.scene.frame_set(101)
    before = all_of_them()
    change(suit)
    bpy.context.view_layer.update()
    after = all_of_them()
    assert len(after) == len(before)
    assert sum(len(one.strokes) for one in before) > 5
    if change is renamed:
        assert len(shown("findings").strokes) == 1
    if change in (no_keys, no_bones, uneven, nothing_left):
        assert facts.problem_of(View.of(bpy.context))


def test_a_linked_armature_is_shown_as_it_is(suit):
    names = suit.name, suit.animation_data.action.name
    bpy.ops.wm.read_homefile(use_empty=True)
    with bpy.data.libraries.load(str(SAMPLE), link=True) as (_, to):
        to.objects = [names[0]]
    linked = to.objects[0]
    bpy.context.scene.collection.objects.link(linked)
    bpy.context.view_layer.objects.active = linked
    bpy.context.scene.render.fps = 60
    bpy.context.scene.frame_set(1950)
    assert all_of_them()[0].strokes
    hips = facts.facts_of(View.of(bpy.context)).body.joints["hips"]
    name = linked.data.bones[hips].name
    np.testing.assert_allclose(in_world(shown("root_now"), 1)[1], head(linked, name, 1950), atol=1e-4)


def test_undo_and_other_files_leave_nothing_behind(suit):
    bpy.ops.ed.undo_push(message="one")
    all_of_them()
    suit.location.x += 1
    bpy.ops.ed.undo_push(message="two")
    bpy.ops.ed.undo()
    armature = bpy.data.objects["Suit"]
    stage.activate(bpy.context, armature)
    hips = head(armature, bone_of(armature, "hips"), 1950)
    np.testing.assert_allclose(in_world(shown("root_now"), 1)[1], hips, atol=1e-4)
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    assert not draw._STATE.kept
    assert not facts._STATE.found
