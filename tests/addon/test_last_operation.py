"""The panel of the last operation (F9): each operator has its settings there, and a change of them counts."""

from __future__ import annotations

import bpy
import pytest

import synthetic
from blender_scene import empty_scene, import_bvh
from takemill_addon import operators, panels

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
OF_FILES = {"filepath", "directory", "files", "filter_glob", "check_existing"}  # Blender's own
ADJUSTED = {
    "map_body": 2,
    "suggest_cuts": 3,
    "repair_take": 10,
    "preview_repair": 10,
    "fit_take": 7,
    "make_clips": 6,
}
"""Operators that show settings of the panels, and how many at least."""


def settings_of(kind: type) -> dict[str, bpy.types.Property]:
    rna = getattr(bpy.ops.takemill, kind.bl_idname.removeprefix("takemill.")).get_rna_type()
    return {one.identifier: one for one in rna.properties if one.identifier not in {"rna_type", *OF_FILES}}


def test_each_setting_has_its_words_and_is_the_one_of_the_panel():
    """What a panel shows too bears the same name, tooltip, unit and limits there, and is not remembered."""
    kinds = [one for one in (*operators.CLASSES, *panels.CLASSES) if hasattr(one, "adjusts")]
    fields = bpy.types.Scene.bl_rna.properties["takemill"].fixed_type.properties
    counts = {}
    for kind in kinds:
        known = settings_of(kind)
        for one in known.values():
            assert one.name != one.identifier, (kind.bl_idname, one.identifier)
            assert one.description, (kind.bl_idname, one.identifier)
        for name in kind.adjusts:
            one, there = known[name], fields[name]
            same = ("name", "description", "type", "subtype", "unit")
            assert [getattr(one, what) for what in same] == [getattr(there, what) for what in same]
            assert one.is_skip_save
            if one.type in ("FLOAT", "INT"):
                assert (one.hard_min, one.hard_max, one.default) == (
                    there.hard_min, there.hard_max, there.default
                )  # fmt: skip
        if kind.adjusts:
            counts[kind.bl_idname.removeprefix("takemill.")] = len(kind.adjusts)
    assert len(kinds) > 60
    assert counts.keys() == ADJUSTED.keys()
    assert all(counts[name] >= least for name, least in ADJUSTED.items())


@pytest.fixture
def suit(tmp_path) -> bpy.types.Object:
    empty_scene(30)
    return import_bvh(synthetic.walk(rate=30, steps=6, idle_s=1.0).motion, tmp_path, "suit", root=True)


def test_a_change_there_gives_another_result_and_is_the_panels(suit):
    """As Blender does it: undo, and the operator again with all its properties set."""
    chosen = bpy.context.scene.takemill
    takemill.map_body()
    takemill.suggest_cuts()
    cuts = suit.animation_data.action.takemill.cuts
    parts = [cut.name for cut in cuts]
    takemill.suggest_cuts(cut_gaits="whole", cut_combinations="whole", cut_shot_list="stroll")
    whole = [cut.name for cut in cuts]
    assert len(whole) < len(parts)
    assert "stroll" in whole
    assert (chosen.cut_gaits, chosen.cut_shot_list) == ("whole", "stroll")
    takemill.suggest_cuts()  # pressed, or called, with nothing said: by the panel
    assert [cut.name for cut in cuts] == whole
    takemill.repair_take(repair_amount=0.0, repair_profile="suit")
    assert (chosen.repair_amount, chosen.repair_profile) == (0.0, "suit")
    takemill.add_cut(start=20, end=50)
    cut = suit.animation_data.action.takemill.cuts[-1]
    assert (cut.start, cut.end) == (20, 50)
    with pytest.raises(RuntimeError, match="set To after From"):
        takemill.add_cut(start=50, end=20)


@pytest.mark.usefixtures("suit")
def test_what_fails_leaves_the_panels_settings():
    chosen = bpy.context.scene.takemill
    with pytest.raises(RuntimeError, match="reference"):
        takemill.map_body(intake_reference="no such take")
    assert chosen.intake_reference == ""
