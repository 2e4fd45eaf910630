"""The guide's first steps, done to the letter: what it says to press is there, and six clips come of it."""

from __future__ import annotations

import json
import re
from pathlib import Path

import bpy
import pytest

from blender_scene import empty_scene
from panel_notes import buttons, drawn
from takemill.shell import samples
from takemill_addon import operators, panels

pytestmark = pytest.mark.usefixtures("addon")
GUIDE = Path(__file__).parents[2] / "docs/guide.md"
PANELS = {kind.bl_label.partition(". ")[2]: kind for kind in panels.CLASSES if hasattr(kind, "step")}
NAMES = {kind.bl_label: kind.bl_idname for kind in operators.CLASSES if hasattr(kind, "bl_label")}


def steps() -> list[tuple[str, str, list[str]]]:
    """The numbered steps: the panel, the button, and the names that stand in the text."""
    part = (
        GUIDE.read_text(encoding="utf-8")
        .partition("### Six clips in ten minutes\n")[2]
        .partition("\n### ")[0]
    )
    found = re.findall(r"^\d\. Panel (\w+): \*\*(.+?)\*\*\.((?:.*\n)(?: {3}.*\n)*)", part, re.MULTILINE)
    assert len(found) == len(re.findall(r"^\d\. ", part, re.MULTILINE)), (
        "each step names a panel and one button"
    )
    return [(panel, button, re.findall(r"`([a-z0-9_]+)`", text)) for panel, button, text in found]


def test_the_guides_first_steps_are_one_press_each_and_pack_six_clips(tmp_path):
    empty_scene()
    bpy.ops.wm.save_as_mainfile(filepath=str(tmp_path / "first.blend"))
    for panel, button, names in steps():
        rig = bpy.context.view_layer.objects.active
        name = NAMES[button]
        assert name in buttons(drawn(PANELS[panel], rig, whole=True)), f"{panel} has no {button}"
        given = {"filepath": str(samples.path("marsh_take.bvh"))} if button == "Import Take" else {}
        done = getattr(bpy.ops.takemill, name.partition(".")[2])(**given)
        assert done == {"FINISHED"}, button
        if panel == "Cuts":
            cuts = rig.animation_data.action.takemill.cuts
            assert f"The sample gives {len(cuts)}." in GUIDE.read_text(encoding="utf-8")
            assert set(names) < {cut.name for cut in cuts}
            for cut in cuts:
                cut.use = cut.name in names
    facts = json.loads((tmp_path / "clips" / "clips.json").read_text(encoding="utf-8"))
    assert len(facts["clips"]) == 6
    assert all(clip["seam"]["quality"] == "good" for clip in facts["clips"] if clip["loop"])
    assert {clip["kind"] for clip in facts["clips"]} == {"idle", "locomotion", "turn", "strike"}
