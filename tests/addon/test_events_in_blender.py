"""The pose markers of a clip's Action are the events that its set tells."""

from __future__ import annotations

import json

import bpy
import pytest

import synthetic
from blender_scene import empty_scene, import_bvh, skinned_cloth
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill


@pytest.fixture
def walker(tmp_path):
    """A walk with a one-shot of its steps, frames 60 to 160, which plays."""
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30).motion, tmp_path, root=True)
    cut = playing(suit).takemill.cuts.add()
    cut.name, cut.start, cut.end, cut.kind, cut.root_motion = "locomotion", 60, 160, "locomotion", "root"
    takemill.make_clips()
    takemill.play_clip(index=0)
    skinned_cloth(suit)
    stage.activate(bpy.context, suit)
    return suit


def playing(suit) -> bpy.types.Action:
    return suit.animation_data.action


def packed(folder) -> dict[str, list[tuple[str, int, float]]]:
    """The events of each clip of a set: name, frame and seconds."""
    chosen = bpy.context.scene.takemill
    chosen.set_folder, chosen.set_name = str(folder / "set"), "set"
    assert takemill.pack_set() == {"FINISHED"}
    said = json.loads((folder / "set" / "clips.json").read_text())["clips"]
    return {
        c["name"]: [(event["name"], event["frame"], event["time_s"]) for event in c["events"]] for c in said
    }


def add(action, name: str, frame: int):
    marker = action.pose_markers.new(name)
    marker.frame = frame
    return marker


def test_markers_made_moved_and_removed_by_hand_arrive(walker, tmp_path):
    markers = playing(walker).pose_markers
    before = packed(tmp_path)["locomotion"]
    add(playing(walker), "lantern", 45)
    add(playing(walker), "outside", 400)
    add(playing(walker), "spike", 50).takemill.finding = True
    moved, gone = (next(m for m in markers if m.name == name) for name in ("leftFoot.down", "rightFoot.up"))
    was, lost = ("leftFoot.down", moved.frame), ("rightFoot.up", gone.frame)
    moved.frame += 1
    markers.remove(gone)
    after = packed(tmp_path)["locomotion"]
    assert ("lantern", 45, 1.5) in after
    kept = [one[:2] for one in before if one[:2] not in (was, lost)]
    assert sorted(one[:2] for one in after) == sorted([*kept, ("lantern", 45), (was[0], was[1] + 1)])


@pytest.mark.usefixtures("walker")
def test_add_mark_marks_the_current_frame(tmp_path):
    scene = bpy.context.scene
    scene.frame_set(30)
    assert takemill.add_event(name=" left.wave ") == {"FINISHED"}
    with pytest.raises(RuntimeError, match=r"it has an event 'left\.wave' at frame 30 already"):
        takemill.add_event(name="left.wave")
    with pytest.raises(RuntimeError, match="event: "):
        takemill.add_event(name="  ")
    scene.frame_set(101)
    with pytest.raises(RuntimeError, match="frame 101 lies outside it; it has frames 0 to 100"):
        takemill.add_event(name="late")
    takemill.mirror_clip()
    scene.takemill.set_rate = 60
    events = packed(tmp_path)
    assert ("left.wave", 60, 1.0) in events["locomotion"]
    assert ("right.wave", 60, 1.0) in events["locomotion_mirrored"]


def test_an_action_of_ones_own_has_its_footfalls_and_its_markers(walker, tmp_path):
    """It begins at another scene frame than 0; an Action that was made with no events has what it feels."""
    takemill.play_source()
    add(playing(walker), "lantern", 31)
    takemill.add_clip()
    events = packed(tmp_path)["take"]
    assert ("lantern", 30, 1.0) in events
    assert {name for name, *_ in events} > {"leftFoot.down", "rightFoot.down"}
    assert len(events) > 8


def test_single_stages_carry_marks_along(walker, tmp_path):
    add(playing(walker), "lantern", 45)
    takemill.thin_keys()
    takemill.extract_root_motion(mode="in_place")
    takemill.add_contact_events()
    assert ("lantern", 45, 1.5) in packed(tmp_path)["locomotion"]
    takemill.close_loop(search=False)
    assert ("lantern", 45, 1.5) in packed(tmp_path)["locomotion"]


def test_undo_takes_a_mark_back(walker):
    action = playing(walker).name
    count = len(playing(walker).pose_markers)
    bpy.ops.ed.undo_push(message="before")
    takemill.add_event("EXEC_DEFAULT", True, name="lantern")
    assert len(bpy.data.actions[action].pose_markers) == count + 1
    bpy.ops.ed.undo()
    assert len(bpy.data.actions[action].pose_markers) == count
