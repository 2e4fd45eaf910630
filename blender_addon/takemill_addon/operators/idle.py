"""An idle of any length, and the fidgets beside it, as cuts of a take."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import bpy

from takemill.idle.idle import describe_pace
from takemill.pipeline.suggest_idle import SuggestedIdle, suggest_idle

from ..bridge.clips import cuts
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import recipe, stage, takes
from ..bridge.takes.characters import cuts_holder


class TAKEMILL_OT_suggest_idle(stage.Stage, bpy.types.Operator):
    """Add an idle of any length and its fidgets to the list: of the preview range, else of the whole take"""

    bl_idname = "takemill.suggest_idle"
    bl_label = "Suggest Idle"

    length_s: bpy.props.FloatProperty(
        name="Length",
        default=30.0,
        min=1.0,
        max=600.0,
        soft_max=120.0,
        unit="TIME_ABSOLUTE",
        description="About how long it lasts. Where a breath is seen in it, it holds whole breaths",
    )
    seed: bpy.props.IntProperty(
        name="Seed",
        min=0,
        max=100_000,
        soft_max=100,
        description="Another number gives another order of its parts",
    )
    fidgets: bpy.props.BoolProperty(
        name="Fidgets",
        default=True,
        description="Add the small movements between calm stretches, too, as one-shots that begin and end in "
        "the idle",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        settings = recipe.recipe_of(context.scene)
        performed = yield from takes.performer_of.steps(context, work, settings)
        take = performed[0] if performed else (yield from takes.prepare_work.steps(work, settings))
        scene, within = context.scene, None
        if scene.use_preview_range:
            first, last = (
                frame - work.take.start for frame in (scene.frame_preview_start, scene.frame_preview_end)
            )
            within = max(first, 0), min(last + 1, len(take.motion))
        holder = cuts_holder(work.action)
        known = holder.takemill
        taken = [cut.name for cut in known.cuts]
        name = _free_name("idle", taken)
        found = yield from apart(suggest_idle, take, settings, self.length_s, self.seed, within, name)
        specs = [found.idle]
        for one in found.fidgets if self.fidgets else ():
            specs.append(replace(one, name=_free_name(one.name, [*taken, *(spec.name for spec in specs)])))
        cuts.add_cuts(holder, work.take, specs, [-1] * len(specs))
        known.cut_index = len(taken)
        stage.note_reading(work)
        return _describe_idle(name, found, len(specs) - 1)


def _free_name(name: str, taken: Sequence[str]) -> str:
    """The name, with a number where it is taken."""
    stem = name.removesuffix("_01")
    return next(one for one in (name, *(f"{stem}_{k:02}" for k in range(2, 1000))) if one not in taken)


def _describe_idle(name: str, found: SuggestedIdle, fidgets: int) -> str:
    facts, seconds = found.facts, found.duration_s
    breath = "no breath seen" if facts.breaths is None else f"{round(facts.breaths)} breaths"
    return (
        f"{name}: {seconds:.1f} s of {len(found.parts)} parts, {describe_pace(facts.pace)}, {breath}, "
        f"a moment plays again after {facts.repeats * seconds:.1f} s at the soonest; {fidgets} fidgets"
    )


CLASSES = (TAKEMILL_OT_suggest_idle,)
