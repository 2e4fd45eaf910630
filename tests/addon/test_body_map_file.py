"""A body map saved, loaded and mirrored, in the real bpy."""

from __future__ import annotations

from pathlib import Path

import bpy
import pytest

from takemill.recipe.recipe import read_recipe

SAMPLE = Path(__file__).parents[2] / "sample_blends" / "marsh_ferry.blend"


@pytest.fixture
def rig(addon):  # noqa: ARG001 (registered first)
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLE))
    armature = bpy.data.objects["Ferrywoman"]
    bpy.context.view_layer.objects.active = armature
    for item in bpy.context.view_layer.objects:
        item.select_set(item == armature)
    bpy.ops.takemill.map_body()
    yield armature
    bpy.ops.wm.read_factory_settings(use_empty=True)


def parts_of(armature) -> dict[str, str]:
    return {part.name: part.bone for part in armature.takemill.parts if part.bone}


def test_a_body_map_comes_back_from_its_file_and_is_a_recipes_body(rig, tmp_path):
    before, path = parts_of(rig), tmp_path / "map.toml"
    assert bpy.ops.takemill.save_body_map(filepath=str(path)) == {"FINISHED"}
    assert read_recipe(path).body == before
    rig.takemill.parts.clear()
    assert bpy.ops.takemill.load_body_map(filepath=str(path)) == {"FINISHED"}
    assert parts_of(rig) == before


def test_a_characters_own_table_counts_before_the_takes(rig, tmp_path):
    path = tmp_path / "set.toml"
    path.write_text(
        '[body]\nhips = "nobody"\n[characters.Ferrywoman.body]\nleftToes = ""\nneck = "chest"\nchest = ""\n'
    )
    assert bpy.ops.takemill.load_body_map(filepath=str(path)) == {"FINISHED"}
    parts = parts_of(rig)
    assert parts["neck"] == "chest"
    assert not {"leftToes", "chest"} & parts.keys()


@pytest.mark.parametrize(
    ("text", "message"),
    [("rate = 30\n", "it holds no"), ('[body]\nhips = "nobody"\n', "'nobody', which is no joint")],
)
def test_a_map_that_does_not_fit_changes_nothing(rig, tmp_path, text, message):
    before, path = parts_of(rig), tmp_path / "bad.toml"
    path.write_text(text)
    with pytest.raises(RuntimeError, match=message):
        bpy.ops.takemill.load_body_map(filepath=str(path))
    assert parts_of(rig) == before


@pytest.mark.parametrize("named", [True, False])
def test_one_side_is_mapped_as_the_other_by_names_or_places(rig, named):
    before = parts_of(rig)
    if not named:
        for number, bone in enumerate(rig.data.bones):
            bone.name = f"b{number}"
        before = parts_of_after_renaming(rig, before)
    for part in rig.takemill.parts:
        if part.name.startswith("right"):
            part.bone = ""
    assert bpy.ops.takemill.mirror_body_map(side="left") == {"FINISHED"}
    assert parts_of(rig) == before


def parts_of_after_renaming(rig, before: dict[str, str]) -> dict[str, str]:
    """Bones have other names: the same parts, mapped to the same bones."""
    bpy.ops.takemill.map_body()
    found = parts_of(rig)
    assert {part for part in before if part.startswith("left")} <= found.keys()
    return found
