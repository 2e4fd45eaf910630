"""The list of clips: its order and names, the frames that it plays, and the seams that a loop could have."""

from __future__ import annotations

import json

import bpy
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, keys_of, skinned_cloth
from panel_notes import Notes, drawn, sidebar
from takemill_addon import panels
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.scene import views
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


def playing(suit) -> bpy.types.Action:
    return suit.animation_data.action


def add_cut(suit, name: str, start: int, end: int, loop: bool):
    cut = playing(suit).takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.loop, cut.kind = name, start, end, loop, "locomotion"
    cut.root_motion = "in_place"
    return cut


@pytest.fixture
def suit(tmp_path):
    """A walk with two clips: a loop and a part of it."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30).motion, tmp_path, "suit", root=True)
    add_cut(suit, "walk", 50, 210, loop=True)
    add_cut(suit, "piece", 60, 120, loop=False)
    takemill.make_clips()
    return suit


def played() -> tuple[int, int]:
    scene = bpy.context.scene
    return scene.frame_preview_start, scene.frame_preview_end


def test_the_range_of_a_loop_leaves_out_the_pose_that_repeats(suit):
    walk, piece = suit.takemill.clips
    takemill.play_clip(index=0)
    assert played() == (0, int(walk.action.frame_range[1]) - 1)
    takemill.play_clip(index=1)
    assert played() == (0, int(piece.action.frame_range[1]))


@pytest.mark.parametrize(
    ("width", "heads"),
    [(202, []), (292, []), (360, ["Name", "Seam"]), (460, ["Name", "Kind", "Seconds", "Speed", "Seam"])],
)
def test_names_have_their_row_alone_until_a_sidebar_has_room_for_more(suit, width, heads):
    suit.takemill.clip_index = 0
    notes = drawn(panels.clips.TAKEMILL_PT_clips, suit, whole=True, width=width)
    said = [text for _, text, _, _ in notes.rows]
    assert [text for text in said if text in ("Name", *panels.clips._COLUMNS)] == heads
    assert ("walk" in said) == (width == 202), "a narrow list cuts names off: the chosen one stands below"


def test_only_the_chosen_rows_name_is_a_field(suit):
    """A click on a field does not choose its row."""
    known, kind = suit.takemill, panels.clips.TAKEMILL_UL_clips
    known.clip_index = 1
    for index, clip in enumerate(known.clips):
        notes = Notes()
        kind.draw_item(kind, sidebar(292), notes, known, clip, "", known, "clip_index", index)
        assert ("label" in [what for what, _, _, _ in notes.rows]) == (index == 1)
        assert (clip.name in [text for _, text, _, _ in notes.rows]) == (index == 0)


def test_clips_move_up_and_down_the_list(suit):
    known = suit.takemill
    known.clip_index = 0
    takemill.move_clip(down=True)
    assert ([one.name for one in known.clips], known.clip_index) == (["piece", "walk"], 1)
    takemill.move_clip(down=True)  # it is the last
    takemill.move_clip(down=False)
    assert ([one.name for one in known.clips], known.clip_index) == (["walk", "piece"], 0)


def test_a_new_name_is_that_of_action_cut_and_the_same_clip_of_characters(suit, tmp_path):
    """A name that another clip has gets a number; cuts that lead to the clip go along."""
    one = import_bvh(synthetic.idle(rate=30, scale=0.6, duration_s=1).motion, tmp_path, "mate", root=True)
    one.animation_data_clear()
    choose(one)
    stage.activate(bpy.context, suit)
    takemill.fit_take()
    takemill.make_clips()
    cuts = playing(suit).takemill.cuts
    cuts["piece"].leads_to = "walk"
    suit.takemill.clips["walk"].label = "stroll"
    for armature in (suit, one):
        clip = armature.takemill.clips["stroll"]
        assert clip.action.name.startswith("stroll")
        assert "walk" not in armature.takemill.clips
    assert [cut.name for cut in cuts] == ["stroll", "piece"]
    assert cuts["piece"].leads_to == "stroll"
    suit.takemill.clips["piece"].label = " stroll "
    assert [clip.name for clip in suit.takemill.clips] == ["stroll", "stroll_02"]
    suit.takemill.clips["stroll_02"].label = ""
    assert suit.takemill.clips[1].label == "stroll_02"


def test_seams_are_listed_played_and_chosen(suit):
    """Played ones are previews of the take, and leave nothing; the chosen one is that of the clip."""
    take = playing(suit)
    known, before, count = take.takemill, keys_of(take), len(bpy.data.actions)
    known.cut_index = 0
    cut = known.cuts["walk"]
    assert takemill.list_seams() == {"FINISHED"}
    assert len(cut.seams) > 2
    assert all(50 <= one.start < one.end <= 210 for one in cut.seams)
    record = ClipRecord.of_action(suit.takemill.clips["walk"].action)
    first = record.source_range[0] + round(take.frame_range[0])
    assert first in {one.start for one in cut.seams}
    for index in (0, 1, 2):
        assert takemill.play_seam(step=min(index, 1)) == {"FINISHED"}
        assert cut.seam_index == index
        assert playing(suit).takemill.looping
        seam = cut.seams[index]
        assert playing(suit).frame_range[1] - playing(suit).frame_range[0] == seam.end - seam.start
    takemill.use_seam()
    seam = cut.seams[2]
    assert (cut.start, cut.end, cut.search) == (seam.start, seam.end, False)
    takemill.stop_loop()
    assert playing(suit) == take
    assert keys_of(take) == before
    assert len(bpy.data.actions) == count
    takemill.make_clips()
    record = ClipRecord.of_action(suit.takemill.clips["walk"].action)
    start = round(take.frame_range[0])
    assert (record.source_range[0] + start, record.source_range[1] - 1 + start) == (seam.start, seam.end)


def test_cuts_that_meet_a_loop_seek_their_ends_anew_when_its_seam_is_another(suit):
    """A start that ended at the old seam would slide into the new one."""
    known = playing(suit).takemill
    known.cut_index = 0
    known.cuts["piece"].leads_to = "walk"
    known.cuts["piece"].search = False
    takemill.list_seams()
    known.cuts["walk"].seam_index = 2
    takemill.use_seam()
    assert (known.cuts["walk"].search, known.cuts["piece"].search) == (False, True)


def test_a_clip_leads_to_the_seams_of_its_cut(suit):
    take, known = playing(suit), suit.takemill
    takemill.play_clip(index=0)
    known.clip_index = 0
    assert takemill.other_seams() == {"FINISHED"}
    assert playing(suit) == take
    assert len(take.takemill.cuts["walk"].seams) > 2
    takemill.play_clip(index=1)
    known.clip_index = 1
    with pytest.raises(RuntimeError, match="no cut that is a loop"):
        takemill.other_seams()


def test_a_seam_that_is_seen_is_in_the_message(suit, capfd):
    cut = playing(suit).takemill.cuts["walk"]
    cut.end, cut.search = cut.start + 52, False
    bpy.context.scene.takemill.loop_bad_seam = "keep"
    capfd.readouterr()
    takemill.make_clips()
    seam = ClipRecord.of_action(suit.takemill.clips["walk"].action).candidate
    assert seam.quality in ("poor", "bad")
    said = capfd.readouterr().out
    assert f"seams to look at: walk ({seam.quality}, {seam.gap_cm:.1f} cm); press Other Seams" in said


def test_the_speed_of_a_clip_is_kept_with_it(suit):
    action = suit.takemill.clips["piece"].action
    truth = synthetic.walk(rate=30).motion.root_translation
    metres = float(abs(truth[119 - 1, 1] - truth[60 - 1, 1]))
    assert action.takemill.speed_m_s == pytest.approx(metres / (59 / 30), rel=0.1)


def test_a_click_on_a_cut_or_a_clip_shows_its_frames_in_time(suit, monkeypatch):
    """Those of the cut; of a clip its own while it is active, else those that it was cut from."""
    shown = []
    monkeypatch.setattr(views, "show_frames", lambda _, first, last: shown.append((first, last)))
    take, known = playing(suit), suit.takemill
    take.takemill.cut_index = 1
    assert shown.pop() == (60, 120)
    known.clip_index = 1
    assert shown.pop() == (60, 120)
    takemill.play_clip(index=1)
    shown.clear()
    known.clip_index = 1
    assert shown.pop() == tuple(known.clips[1].action.frame_range)
    take.takemill.cut_index = 0  # of a take that is not worked on now
    known.clip_index = -1
    assert shown == []


def test_a_cut_made_by_hand_is_named_by_what_the_body_does(suit):
    take = playing(suit)
    cuts = take.takemill.cuts
    takemill.add_cut(start=55, end=200)
    cut = cuts[len(cuts) - 1]
    cuts["piece"].follows = cut.name
    assert cut.name == "clip_01"
    takemill.name_cut()
    assert (cut.name, cut.kind) == ("walk_forward_01", "locomotion")
    assert "% sure" in cut.why
    assert cuts["piece"].follows == "walk_forward_01"
    takemill.name_cut()  # its own name is none that is taken
    assert cut.name == "walk_forward_01"
    cut.start, cut.end = 10, 11
    with pytest.raises(RuntimeError, match="cannot be named"):
        takemill.name_cut()


def test_the_set_keeps_the_order_of_the_list(suit, tmp_path):
    """Down and up the list by the arrows, as Blender's own lists have them."""
    skinned_cloth(suit)
    bpy.context.scene.takemill.set_folder = str(tmp_path / "set")
    for down, order in ((True, ["piece", "walk"]), (False, ["walk", "piece"])):
        suit.takemill.clip_index = int(not down)
        takemill.move_clip(down=down)
        takemill.pack_set()
        listed = json.loads((tmp_path / "set/clips.json").read_text(encoding="utf-8"))
        assert [one["name"] for one in listed["clips"]] == order
