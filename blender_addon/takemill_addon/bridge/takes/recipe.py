"""The recipe of a scene: what was loaded, and what the panels' fields say instead.

Every operator takes its settings from here. What has no field stays as the loaded recipe says;
`beyond_fields` names it for the panel. Cuts of an Action are the recipe's clips; `bridge/clips/cuts.py`
turns one into the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass, replace
from functools import lru_cache
from typing import Any

import bpy
import numpy as np

from takemill.base.errors import RecipeError
from takemill.goals.goals import KINDS
from takemill.recipe.recipe import ABOVE_KEYS, TABLES, Recipe, parse_recipe
from takemill.recipe.recipe_write import clip_table

from ...properties.repair import REPAIR_STEPS
from . import characters

_SOURCE = "the loaded recipe"
_SHOWN_OF_CLIPS = {
    "name", "take", "from", "to", "loop", "search", "root_motion", "kind", "smooth_hz", "follows",
    "leads_to", "in_parts", "length_s", "seed",
}  # fmt: skip
"""Keys of a [[clip]] that a cut shows."""


@dataclass(frozen=True)
class Field:
    """A field of the scene that stands for a key of the recipe.

    Attributes:
        name: of the scene's property.
        table: of the recipe; "" for what stands above the tables.
        key: in the table.
        show: the field's value for a value of the recipe.
        read: the recipe's value for a value of the field.
    """

    name: str
    table: str
    key: str
    show: Callable[[Any], Any] = lambda value: value
    read: Callable[[Any], Any] = lambda value: value

    def value_in(self, recipe: Recipe) -> Any:
        """What the recipe says."""
        return getattr(getattr(recipe, self.table) if self.table else recipe, self.key)


def _or_nothing(value: float | None) -> float:
    return value or 0.0


def _or_none(value: float) -> float | None:
    return value or None


def _times_text(pairs: tuple[tuple[float, float], ...]) -> str:
    return " ".join(f"{time!r}" for pair in pairs for time in pair)


def _pairs_of(text: str) -> tuple[tuple[float, float], ...]:
    """Times in a row, as the shell takes them, in pairs."""
    try:
        times = [float(word) for word in text.replace(",", " ").split()]
    except ValueError:
        times = [math.nan]
    if len(times) not in (0, 4) or not all(map(math.isfinite, times)):
        raise RecipeError(
            f"Same Pose: expected the start and the stop of two stretches in seconds, as in 0.5 1.5 40 41, "
            f"or nothing; got {text!r}"
        )
    return tuple(zip(times[::2], times[1::2], strict=True))


def _names_of(text: str) -> tuple[str, ...]:
    """Names between commas, as the shell takes them."""
    return tuple(name for word in text.split(",") if (name := word.strip()))


FIELDS = (
    Field("intake_reference", "intake", "reference"),
    Field("intake_accept", "intake", "accept"),
    Field(
        "repair_profile", "repair", "profile",
        lambda word: word or "FOUND", lambda word: "" if word == "FOUND" else word,
    ),
    Field("repair_path_from", "repair", "path_from"),
    *(Field(f"repair_{step}", "repair", step) for step in REPAIR_STEPS),
    Field("repair_amount", "repair", "amount", lambda part: 100 * part, lambda percent: percent / 100),
    Field("repair_same_pose_s", "repair", "same_pose_s", _times_text, _pairs_of),
    Field("cut_combinations", "cuts", "combinations"),
    Field("cut_gaits", "cuts", "gaits"),
    Field("cut_shot_list", "cuts", "shot_list", ", ".join, _names_of),
    Field("cut_neutral", "", "neutral"),
    Field("cut_blend_frames", "", "blend_frames"),
    Field("loop_cycles", "loop", "cycles", str, int),
    Field("loop_bad_seam", "loop", "bad_seam"),
    Field("loop_longest_s", "loop", "longest_s", _or_nothing, _or_none),
    Field("seam_s", "close", "seam_s"),
    Field("root_motion_turn", "root_motion", "turn"),
    Field("root_motion_height", "root_motion", "height"),
    Field("root_motion_smooth_hz", "root_motion", "smooth_hz"),
    Field("fit_arm_clearance", "fit", "arm_clearance_deg", math.radians, math.degrees),
    Field("fit_clear_arms", "fit", "clear_arms"),
    Field("fit_feet", "fit", "plant_feet"),
    Field("fit_posture", "fit", "posture"),
    Field(
        "fit_goals", "fit", "goals",
        set, lambda ticked: tuple(kind for kind in KINDS if kind in ticked),
    ),
    Field("fit_part", "fit", "part"),
    Field("fit_part_blend_s", "fit", "part_blend_s"),
    Field("fit_hand_pose", "fit", "hand_pose"),
    Field("fit_rest_pose", "fit", "rest_pose"),
    Field("set_name", "", "name"),
    Field("set_rate", "", "rate", _or_nothing, _or_none),
    Field("set_files", "", "files"),
    Field("set_fbx", "", "fbx"),
    Field("set_keys", "reduce", "interpolation"),
    Field(
        "set_floats", "reduce", "storage",
        lambda word: word == "float32", lambda ticked: "float32" if ticked else "smallest",
    ),
    Field("max_error_mm", "reduce", "max_error_m", lambda metres: 1000 * metres, lambda mm: mm / 1000),
)  # fmt: skip


def loaded_recipe(scene: bpy.types.Scene) -> Recipe:
    """The recipe as it was loaded into the scene; the default one where none was.

    Raises:
        RecipeError: somebody has changed the text that the scene keeps.
    """
    return _parsed(scene.takemill.recipe)


@lru_cache(maxsize=8)  # panels ask for it whenever they are drawn
def _parsed(text: str) -> Recipe:
    return parse_recipe(text, _SOURCE) if text else Recipe()


def recipe_of(scene: bpy.types.Scene) -> Recipe:
    """The scene's recipe: the loaded one with what the fields say; its clips as they were loaded.

    Raises:
        RecipeError: as for `loaded_recipe`, or a field's text cannot be read.
    """
    recipe = loaded_recipe(scene)
    recipe = characters.with_own(scene, recipe)
    above: dict[str, Any] = {}
    for field in FIELDS:
        value = _field_value(field, recipe, getattr(scene.takemill, field.name))
        if value == field.value_in(recipe):
            continue
        if field.table:
            table = replace(getattr(recipe, field.table), **{field.key: value})
            recipe = replace(recipe, **{field.table: table})
        else:
            above[field.key] = value
    if not above.get("neutral", recipe.neutral):  # there is nothing to blend onto: the field is greyed out
        above["blend_frames"] = 0
    return replace(recipe, **above)


def problem_of_same_pose(text: str) -> str:
    """What is wrong with the text of the field Same Pose; "" where nothing is."""
    try:
        _pairs_of(text)
    except RecipeError as problem:
        return str(problem)
    return ""


def _field_value(field: Field, recipe: Recipe, shown: Any) -> Any:
    """The value of a field. Blender keeps single precision: a number that was not touched is the recipe's."""
    old = field.value_in(recipe)
    if isinstance(shown, float):
        if np.float32(field.show(old)) == np.float32(shown):
            return old
        shown = float(f"{shown:.6g}")
    value = field.read(shown)
    return float(f"{value:.9g}") if isinstance(value, float) else value


def expect_fields_hold(scene: bpy.types.Scene, recipe: Recipe) -> None:
    """Insist, before anything changes, on values that the fields can show: Blender would cut them off.

    Raises:
        RecipeError: a number is beyond what its field holds.
    """
    for field in FIELDS:
        shown, prop = field.show(field.value_in(recipe)), scene.takemill.bl_rna.properties[field.name]
        if prop.type in ("FLOAT", "INT") and not prop.hard_min <= shown <= prop.hard_max:
            least, most = (float(field.read(end) or 0) for end in (prop.hard_min, prop.hard_max))
            raise RecipeError(
                f"{_SOURCE}: {_place(field)}: the field {prop.name!r} holds {least:g} to {most:g}, "
                f"not {field.value_in(recipe):g}; change it, or pack in the shell"
            )


def _place(field: Field) -> str:
    return f"[{field.table}] {field.key}" if field.table else field.key


def show_recipe(scene: bpy.types.Scene, recipe: Recipe, text: str) -> None:
    """Keep a recipe with the scene and show it in the fields."""
    chosen = scene.takemill
    chosen.recipe = text
    for field in FIELDS:
        setattr(chosen, field.name, field.show(field.value_in(recipe)))
    chosen.fit_take_wins = False  # a recipe says it of each character
    for row in chosen.characters:
        characters.show_own(row, recipe)


def beyond_fields(recipe: Recipe) -> tuple[str, ...]:
    """What a recipe says that no field shows: keys and tables, in the recipe's own words."""
    return tuple(_beyond_fields(recipe))


def _beyond_fields(recipe: Recipe) -> Iterator[str]:
    default, shown = Recipe(), {(field.table, field.key) for field in FIELDS}
    for key in ABOVE_KEYS:
        if ("", key) not in shown and getattr(recipe, key) != getattr(default, key):
            yield key
    for name in ("body", "springs", "characters", "variants"):
        if getattr(recipe, name):
            yield {"variants": "[[variant]]"}.get(name, f"[{name}]")
    of_clips = {key for spec in recipe.clips for key in clip_table(spec)} - _SHOWN_OF_CLIPS
    if of_clips:
        yield f"[[clip]] {', '.join(sorted(of_clips))}"
    for name in TABLES:
        table, plain = getattr(recipe, name), getattr(default, name)
        keys = (one.name for one in fields(table) if not is_dataclass(getattr(table, one.name)))
        if any(getattr(table, key) != getattr(plain, key) for key in keys if (name, key) not in shown):
            yield f"[{name}]"
