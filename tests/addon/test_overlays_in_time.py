"""What overlays show in the Timeline and the Dope Sheet, and what a click there does."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import bpy
import numpy as np
import pytest

from takemill_addon.bridge.takes import stage
from takemill_addon.overlays import draw_time, facts, strokes
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
    assert list(lanes().ends) == ["cuts", "left foot", "right foot", "events", "jitter", "spike"]
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


def test_a_low_editor_has_fewer_lanes_and_they_are_readable(known):
    """At 41 pixels, the height of the Timeline in a new file: cuts with their names, a strip of findings."""

    def at(height: int) -> draw_time.Lanes:
        return draw_time.lanes_of(View.of(bpy.context), height)

    for height in (41, 60, 70, 90, 110, 140):
        low, many = at(height), len(at(height).ends)
        assert max(high for _, high in low.ends.values()) <= height - draw_time._ABOVE_PX
        assert sum(high - low > 9 for low, high in low.ends.values()) >= min(many, 1 + (height >= 60))
        found = {bar.index for bar in low.bars if bar.what == "finding"}
        assert found == set(range(len(known.findings)))
    assert list(at(41).ends) == ["cuts", "findings"]
    assert next(bar.index for bar in at(41).bars if bar.what == "finding") == 1  # the longest lies below
    assert {"cuts", "findings", "events"} < set(at(90).ends)
    assert len(at(140).ends) == len(lanes().ends)


def test_what_lies_under_the_mouse(known):
    def at(frame: float, lane: str):
        low, high = lanes().ends[lane]
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


def test_labels_of_the_same_place_stand_one_above_the_other():
    """Those that lie over each other are moved up, the same text stands once, all others stay."""

    def label(text: str, x: float, y: float) -> strokes.Placed:
        return strokes.Placed(text, x, y, 50, 14, (1, 1, 1, 1))

    heel, toe, far = label("1.2 cm", 100, 100), label("1.4 cm", 120, 103), label("floor", 300, 100)
    again, above = label("1.2 cm", 110, 108), label("raw", 130, 112)
    found = {one.text: one for one in strokes.spread([toe, above, far, heel, again])}
    assert len(found) == 4
    assert [found[one].y for one in ("1.2 cm", "1.4 cm", "raw", "floor")] == [100, 114, 128, 100]
    assert [found[one].x for one in ("1.2 cm", "1.4 cm", "raw", "floor")] == [100, 120, 130, 300]


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
