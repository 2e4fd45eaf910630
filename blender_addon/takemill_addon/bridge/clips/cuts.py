"""The cuts of an Action and the clips of a recipe: the same thing, in scene frames and in the take's."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import bpy

from takemill.recipe.recipe import ClipSpec, Moment, Recipe, expect_name

from ..motion.read_action import Take

_ASKED = (
    "loop",
    "root_motion",
    "search",
    "follows",
    "leads_to",
    "in_parts",
)  # what a cut has as a [[clip]] has it


def fill_cuts(action: bpy.types.Action, take: Take, specs: Sequence[ClipSpec], lines: Sequence[int]) -> None:
    """Replace the cuts of an Action by clips of a recipe, each with its line there; -1 for none."""
    known = action.takemill
    known.cuts.clear()
    known.cut_index = 0
    add_cuts(action, take, specs, lines)


def add_cuts(action: bpy.types.Action, take: Take, specs: Sequence[ClipSpec], lines: Sequence[int]) -> None:
    """Add clips of a recipe to the cuts of an Action, each with its line there; -1 for none."""
    known = action.takemill
    for spec, line in zip(specs, lines, strict=True):
        item = known.cuts.add()
        start, stop = spec.frames(len(take.motion), take.motion.rate)
        item.start, item.end = take.start + start, take.start + stop - 1
        item.name = item.given_name = spec.name
        item.kind = item.given_kind = spec.kind or "other"
        for name in _ASKED:
            setattr(item, name, getattr(spec, name))
        if spec.length_s is not None:
            item.of_length, item.length_s = True, spec.length_s
        item.seed = spec.seed
        item.override_smoothing = spec.smooth_hz is not None
        item.smooth_hz = spec.smooth_hz or 0.0
        item.line = line


def spec_of(cut: bpy.types.PropertyGroup, take: Take, recipe: Recipe) -> ClipSpec:
    """A cut as the clip that it asks for; what a cut does not show stays as the recipe has it.

    Raises:
        RecipeError: its name is none that files accept.
    """
    first, last = (Moment(frame - take.start, in_frames=True) for frame in (cut.start, cut.end))
    count, rate = len(take.motion), take.motion.rate
    line = recipe.clips[cut.line] if 0 <= cut.line < len(recipe.clips) else ClipSpec("", first, last)
    name = expect_name(cut.name, f"cut {cut.name!r}")
    smooth_hz = line.smooth_hz if _same(line.smooth_hz, cut.smooth_hz) else float(f"{cut.smooth_hz:.6g}")
    spec = replace(
        line,
        name=name,
        kind=cut.kind,
        smooth_hz=smooth_hz if cut.override_smoothing else None,
        length_s=_length_of(cut, line),
        seed=cut.seed,
        **{one: getattr(cut, one) for one in _ASKED},
    )
    spec = replace(spec, **{key: _name_now(cut, name) for key, name in spec.loops.items()})
    start, stop = line.frames(count, rate) if cut.line >= 0 else (-1, -1)
    if (start, stop) != (first.frame(rate), last.frame(rate) + 1):
        spec = replace(spec, start=first, stop=last, stretches=())
    return spec


def _length_of(cut: bpy.types.PropertyGroup, line: ClipSpec) -> float | None:
    """How long an idle shall last; None for a cut that asks for no length."""
    if not (cut.of_length and cut.loop and cut.kind in ("idle", "lying")):
        return None
    return line.length_s if _same(line.length_s, cut.length_s) else float(f"{cut.length_s:.6g}")


def _name_now(cut: bpy.types.PropertyGroup, name: str) -> str:
    """The name that the cut called so has now, where it was renamed since it was loaded or suggested."""
    others = cut.id_data.takemill.cuts
    if name in others:
        return name
    return next((one.name for one in others if one.given_name == name), name)


def _same(hz: float | None, shown: float) -> bool:
    return hz is not None and abs(hz - shown) < 1e-6 * max(hz, 1.0)


def saved_spec(cut: bpy.types.PropertyGroup, take: Take, recipe: Recipe) -> ClipSpec:
    """A cut as a recipe is to keep it: a name and a kind that were found for it are found again."""
    spec = spec_of(cut, take, recipe)
    if not 0 <= cut.line < len(recipe.clips):
        return spec
    line = recipe.clips[cut.line]
    name = line.name if cut.name == cut.given_name else spec.name
    kind = line.kind if cut.kind == cut.given_kind else spec.kind
    return replace(spec, name=name, kind=kind, take=line.take)
