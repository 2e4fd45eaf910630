"""What users know from Blender: menus that its search looks through, presets, no number that is a word."""

from __future__ import annotations

import sys
from pathlib import Path
from xml.etree import ElementTree as ET

import bpy
import pytest

import synthetic
import takemill_addon
from blender_scene import empty_scene, import_bvh, skinned_cloth
from takemill_addon import operators, properties
from takemill_addon.panels import manual, menus, presets

HOME = Path(__file__).parents[2]
sys.path.insert(0, str(HOME / "blender_addon"))

import guide_page  # noqa: E402

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
OF_A_ROW = {
    "play_clip", "move_clip", "remove_clip", "remove_cut", "preview_cut", "remove_character", "remove_chain",
    "remove_collider", "go_to_armature", "pick_in_time", "read_take",
}  # fmt: skip
"""Operators of a row of a list, whose button stands beside it, of a click in time, and of the shell."""


def presets_of(what: str) -> list[Path]:
    (place,) = [one for one in bpy.utils.preset_paths(f"takemill/{what}") if "takemill_addon" in one]
    return sorted(Path(place).glob("*.py"))


def test_each_operator_stands_in_a_menu_that_the_search_looks_through():
    """Blender's menu search finds what menus hold; a new operator belongs into one, or beside its row."""
    listed = [name for group in menus._GROUPS for name in group]
    mine = {one.bl_idname.removeprefix("takemill.") for one in operators.CLASSES}
    assert len(listed) == len(set(listed))
    assert set(listed) <= mine
    assert mine - set(listed) - OF_A_ROW == set()
    for menu in (bpy.types.VIEW3D_MT_object_animation, bpy.types.TOPBAR_MT_file_export):
        assert any(one.__module__.startswith("takemill_addon") for one in menu.draw._draw_funcs)


@pytest.mark.parametrize("what", ["repair", "pack"])
def test_our_presets_hold_all_fields_and_set_them(what):
    """Each by Blender's own operator; two differ from one another."""
    empty_scene()
    chosen = bpy.context.scene.takemill
    menu = {"repair": "TAKEMILL_MT_repair_presets", "pack": "TAKEMILL_MT_pack_presets"}[what]
    states = []
    files = presets_of(what)
    assert len(files) >= 4
    for path in files:
        text = path.read_text(encoding="utf-8")
        assert all(f"chosen.{name} = " in text for name in presets._VALUES[what])
        bpy.ops.script.execute_preset(filepath=str(path), menu_idname=menu)
        states.append([getattr(chosen, name) for name in presets._VALUES[what]])
    assert len({str(one) for one in states}) == len(files)


def test_presets_are_looked_for_only_while_the_add_on_is_on():
    takemill_addon.unregister()
    assert not any("takemill_addon" in one for one in bpy.utils.preset_paths("takemill/repair"))
    takemill_addon.register()
    assert any("takemill_addon" in one for one in bpy.utils.preset_paths("takemill/repair"))


def test_a_tick_stands_for_a_number_that_would_mean_none():
    empty_scene()
    chosen = bpy.context.scene.takemill
    for tick, field in (("set_rate_own", "set_rate"), ("loop_limited", "loop_longest_s")):
        assert not getattr(chosen, tick)
        setattr(chosen, tick, True)
        assert getattr(chosen, field) > 0
        setattr(chosen, tick, False)
        assert getattr(chosen, field) == 0


def test_report_and_folder_of_a_set_can_be_opened(tmp_path, capfd):
    empty_scene(30)
    suit = import_bvh(synthetic.walk(rate=30, steps=4).motion, tmp_path, "suit", root=True)
    skinned_cloth(suit)
    takemill.add_clip()
    with pytest.raises(RuntimeError, match="Pack the set first"):
        takemill.open_report()
    chosen = bpy.context.scene.takemill
    chosen.set_folder = str(tmp_path / "set")
    takemill.pack_set()
    capfd.readouterr()
    takemill.open_report()
    takemill.open_folder()
    said = capfd.readouterr().out
    assert str(tmp_path / "set" / "report.html") in said
    assert f"the folder is {tmp_path / 'set'}" in said
    (tmp_path / "set" / "report.html").unlink()
    with pytest.raises(RuntimeError, match="the report is gone; pack the set again"):
        takemill.open_report()


def test_context_help_opens_the_guide_at_the_step(tmp_path, monkeypatch):
    """For each operator and each field that is shown; by what Blender itself asks for an address."""
    page = tmp_path / "guide.html"
    page.write_text(guide_page.page((HOME / "docs/guide.md").read_text(encoding="utf-8"), "Guide"))
    monkeypatch.setattr(manual, "guide_path", lambda: page)
    anchors = [one.get("id") for one in ET.fromstring(page.read_text().partition("\n")[2]).iter()]
    assert [one for one in manual.PLACES if anchors.count(one) != 1] == []
    asked = [f"bpy.ops.{one.bl_idname}" for one in operators.CLASSES]
    for kind in properties.CLASSES:
        fields = (one for one in kind.bl_rna.properties if one.name and one.name != one.identifier)
        asked += [f"bpy.types.{kind.__name__}.{one.identifier}" for one in fields if one.description]
    found = {one: bpy.types.WM_OT_doc_view_manual._lookup_rna_url(one, verbose=False) for one in asked}
    assert len(found) > 150
    wrong = {one for one, url in found.items() if not (url or "").startswith(f"{page.as_uri()}#")}
    assert wrong == set()
    general = {one.rpartition(".")[2] for one, url in found.items() if url.endswith("#in-blender")}
    general -= {"name", "rna_type"}  # Blender's own, of every group
    assert general == {"open_guide", "open_engine_scripts"}
    for one, place in (("ops.takemill.repair_take", "repair"), ("types.TAKEMILL_PG_scene.set_name", "pack")):
        assert found[f"bpy.{one}"] == f"{page.as_uri()}#{place}"
    page.unlink()
    assert bpy.types.WM_OT_doc_view_manual._lookup_rna_url("bpy.ops.takemill.map_body", verbose=False) is None
