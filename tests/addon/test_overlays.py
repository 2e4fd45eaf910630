"""What overlays hand to `gpu`; the bpy module has no window: overlays_table.py looks at pixels."""

from __future__ import annotations

from pathlib import Path

import bpy
import numpy as np
import pytest

from takemill_addon import overlays
from takemill_addon.bridge import stage
from takemill_addon.overlays import draw
from takemill_addon.properties.preferences import names_of, overlay_settings

SAMPLE = Path(__file__).resolve().parents[2] / "sample_blends/marsh_ferry.blend"


@pytest.fixture
def suit(addon):  # noqa: ARG001 (registered first)
    """The sample's performer, with two findings on its take."""
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    armature = bpy.data.objects["Suit"]
    stage.activate(bpy.context, armature)
    bpy.ops.takemill.map_body()
    for kind, part, start, stop in (("spike", "leftHand", 100, 103), ("jitter", "rightFoot", 0, 7200)):
        one = armature.animation_data.action.takemill.findings.add()
        one.kind, one.joint, one.start, one.stop = kind, bone_of(armature, part), start, stop
    return armature


def bone_of(armature: bpy.types.Object, part: str) -> str:
    return next(one.bone for one in armature.takemill.parts if one.name == part)


def shown(name: str) -> draw.Drawing:
    """What an overlay shows now."""
    view = draw.view_now(bpy.context)
    overlay = next(one for one in overlays.OVERLAYS if one.name == name)
    return draw.current(view, overlay).drawing


@pytest.mark.usefixtures("addon")
def test_every_overlay_has_a_switch():
    assert {f"show_{one.name}" for one in overlays.OVERLAYS} <= {*names_of("show_")}


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


def test_a_drawing_is_made_again_only_when_something_has_changed(suit):
    bpy.context.scene.frame_set(101)
    first = shown("findings")
    assert shown("findings") is first
    overlay_settings(bpy.context).colour_spike = (1, 0, 0)
    other = shown("findings")
    assert other is not first
    suit.animation_data.action.takemill.findings.clear()
    suit.animation_data.action.update_tag()
    bpy.context.view_layer.update()
    assert shown("findings").strokes == []


def test_nothing_is_drawn_without_an_armature_or_an_action(suit):
    suit.animation_data.action = None
    assert draw.view_now(bpy.context) is None
    bpy.context.view_layer.objects.active = None
    assert draw.view_now(bpy.context) is None
    bpy.ops.wm.read_homefile(use_empty=True)
    assert draw.view_now(bpy.context) is None


def test_bones_that_are_renamed_or_gone_are_left_out(suit):
    bpy.context.scene.frame_set(101)
    suit.data.bones[bone_of(suit, "leftHand")].name = "renamed"
    bpy.context.view_layer.update()
    assert len(shown("findings").strokes) == 1
