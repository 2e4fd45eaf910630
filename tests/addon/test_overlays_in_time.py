"""What overlays show in the Timeline and the Dope Sheet, and what a click there does."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

from takemill_addon.bridge import stage
from takemill_addon.overlays import draw_time, facts
from takemill_addon.overlays.view import View
from takemill_addon.properties.preferences import names_of, overlay_settings

SAMPLE = Path(__file__).resolve().parents[2] / "sample_blends/marsh_ferry.blend"
HEIGHT = 300  # pixels of an editor
# An editor that shows frames 100 to 200, 1000 pixels wide.
REGION = SimpleNamespace(
    width=1000, height=HEIGHT, view2d=SimpleNamespace(region_to_view=lambda x, y: (100 + x / 10, y))
)


@pytest.fixture
def known(addon):  # noqa: ARG001 (registered first)
    """What is kept with the sample's take: two cuts, three findings, an event."""
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    armature = bpy.data.objects["Suit"]
    stage.activate(bpy.context, armature)
    bpy.ops.takemill.map_body()
    action = armature.animation_data.action
    for name, start, end in (("walk", 110, 139), ("turn", 150, 180)):
        cut = action.takemill.cuts.add()
        cut.name, cut.start, cut.end, cut.loop = name, start, end, name == "walk"
    for kind, joint, start, stop in (
        ("spike", "LeftHand", 120, 123), ("jitter", "Hips", 0, 7200), ("spike", "Head", 130, 131)
    ):  # fmt: skip
        one = action.takemill.findings.add()
        one.kind, one.joint, one.start, one.stop = kind, joint, start, stop
    action.pose_markers.new("clap").frame = 160
    for name in names_of("show_"):
        setattr(overlay_settings(bpy.context), name, True)
    return action.takemill


def lanes() -> draw_time.Lanes:
    return draw_time.lanes_of(View.of(bpy.context), HEIGHT)


def spans(lane: str) -> list[tuple[float, float]]:
    return [(bar.start, bar.stop) for bar in lanes().bars if bar.lane == lane]


def test_each_thing_lies_at_its_frames_in_a_lane_of_its_kind(known):
    assert lanes().lanes == ["cuts", "left foot", "right foot", "events", "jitter", "spike"]
    assert spans("cuts") == [(110, 140), (150, 181)]
    assert spans("spike") == [(120, 123), (130, 131)]
    assert spans("jitter") == [(0, 7200)]
    assert [(bar.text, bar.start) for bar in lanes().bars if bar.lane == "events"] == [
        ("clap", 160), ("seam", 110), ("seam", 139)
    ]  # fmt: skip
    contacts = facts.facts_of(View.of(bpy.context)).contacts
    first = round(known.id_data.frame_range[0])
    for side in ("left", "right"):
        wanted = [(first + start, first + stop) for start, stop in contacts.ranges(f"{side}Foot")]
        assert spans(f"{side} foot") == wanted
        assert len(wanted) > 20


@pytest.mark.usefixtures("known")
def test_switches_take_lanes_away():
    for name in ("cuts", "contacts", "events", "findings"):
        setattr(overlay_settings(bpy.context), f"show_time_{name}", False)
    assert lanes().bars == ()
    assert draw_time.strokes_of(lanes()) == []


@pytest.mark.usefixtures("known")
def test_bars_are_drawn_at_their_frames_and_none_is_lost_by_zooming_out():
    faces, edges = draw_time.strokes_of(lanes())
    bars = lanes().bars
    assert len(faces.points) == 6 * len(bars)
    assert len(edges.points) == 2 * len(bars)
    corners = faces.points.reshape(-1, 6, 3)
    np.testing.assert_allclose(corners[..., 0].min(axis=1), [bar.start for bar in bars])
    np.testing.assert_allclose(corners[..., 0].max(axis=1), [bar.stop for bar in bars])
    assert edges.width_px >= 1  # so a bar of less than a pixel is still a line
    assert corners[..., 1].max() < HEIGHT - 20  # Blender's frame numbers stay free


def test_lanes_of_a_low_editor_are_lower(known):
    low = draw_time.lanes_of(View.of(bpy.context), 70)
    assert low.ends(low.lanes[-1])[1] <= 70 - 20
    assert len(low.bars) == len(lanes().bars)
    assert known.cuts


def test_what_lies_under_the_mouse(known):
    def at(frame: float, lane: str):
        low, high = lanes().ends(lane)
        return draw_time.hit(lanes(), REGION, 10 * (frame - 100), (low + high) / 2)

    assert at(110, "cuts")[1] == "start"
    assert at(140, "cuts")[1] == "stop"
    bar, part = at(125, "cuts")
    assert (bar.what, bar.index, part) == ("cut", 0, "middle")
    bar, part = at(120.5, "spike")
    assert (bar.what, part) == ("finding", "middle")
    assert known.findings[bar.index].joint == "LeftHand"
    assert at(160, "events")[0].text == "clap"
    assert at(145, "cuts") is None
    assert draw_time.hit(lanes(), REGION, 100, HEIGHT - 5) is None


def test_bars_are_made_again_when_a_cut_has_moved(known):
    before = lanes()
    assert lanes() is before
    assert bpy.ops.takemill.pick_in_time(cut="walk", start=115, end=130) == {"FINISHED"}
    assert (known.cuts["walk"].start, known.cuts["walk"].end) == (115, 130)
    assert spans("cuts")[0] == (115, 131)


def test_a_cut_that_would_end_before_it_starts_is_refused(known):
    with pytest.raises(RuntimeError, match="set To after From"):
        bpy.ops.takemill.pick_in_time(cut="walk", start=140, end=130)
    with pytest.raises(RuntimeError, match="there is no cut 'run'"):
        bpy.ops.takemill.pick_in_time(cut="run", start=1, end=2)
    assert (known.cuts["walk"].start, known.cuts["walk"].end) == (110, 139)
