"""The seams that a cut's loop could have: looked for, played across, and chosen."""

from __future__ import annotations

from dataclasses import replace

import bpy

from takemill.base.errors import InputError
from takemill.pipeline.cut_clip import cut_clip, find_seams
from takemill.pipeline.finish_clip import FinishedClip, finish_clip
from takemill.pipeline.prepare_take import PreparedTake
from takemill.recipe.recipe import ClipSpec, Moment, Recipe

from ..bridge.clips import cuts, seams
from ..bridge.scene import actions
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import clip_names, recipe, stage, takes
from ..bridge.takes.characters import cuts_holder
from .clips import show
from .loop import loop_behind, show_loop


def chosen_cut(context: bpy.types.Context) -> bpy.types.PropertyGroup | None:
    """The cut that is chosen in the list; None where none is."""
    return seams.chosen_cut(stage.find_active_action(stage.armature_of(context)))


def _cuts(context: bpy.types.Context) -> bpy.types.PropertyGroup:
    """What holds the list of cuts."""
    return cuts_holder(stage.find_active_action(stage.armature_of(context))).takemill


def a_loop_cut(context: bpy.types.Context) -> str:
    """Needs a cut that is to be a loop."""
    cut = chosen_cut(context)
    if cut is None or not cut.loop:
        return "Choose a cut whose Loop is ticked"
    return "An idle of a length has joins, and no single seam" if cut.of_length else ""


def found_seams(context: bpy.types.Context) -> str:
    """Needs seams that were looked for."""
    cut = chosen_cut(context)
    return "" if cut is not None and cut.seams else "List the seams of the cut first"


_NEEDS = (stage.an_armature, stage.not_linked, stage.an_action, stage.a_body, stage.no_repair_preview)


class TAKEMILL_OT_list_seams(stage.Stage, bpy.types.Operator):
    """List where the chosen cut could repeat, the best first, to play each across its seam and choose one"""

    bl_idname = "takemill.list_seams"
    bl_label = "List Seams"
    needs = (*_NEEDS, a_loop_cut)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        action = loop_behind(actions.active_action(stage.armature_of(context)))
        work = yield from self.read_work.steps(context, action)
        cut, settings = chosen_cut(context), recipe.recipe_of(context.scene)
        take = yield from _take_of(context, work, settings)
        spec = replace(cuts.spec_of(cut, work.take, recipe.loaded_recipe(context.scene)), stretches=())
        found = yield from apart(find_seams, take, spec, settings)
        cut.seams.clear()
        for one in found:
            item = cut.seams.add()
            item.start, item.end = work.take.start + one.start, work.take.start + one.end
            item.gap_cm, item.quality, item.note = one.gap_cm, one.quality, one.note
        cut.seam_index = 0
        best = f", the best {found[0].quality} ({found[0].gap_cm:.1f} cm)" if found else ""
        return f"{cut.name}: {len(found)} seams{best}"


def _take_of(context: bpy.types.Context, work: stage.Work, settings: Recipe) -> Steps[PreparedTake]:
    """The performer's take behind some work."""
    performed = yield from takes.performer_of.steps(context, work, settings)
    if performed:
        return performed[0]
    return (yield from takes.prepare_work.steps(work, settings))


class TAKEMILL_OT_play_seam(stage.Stage, bpy.types.Operator):
    """Play the take in a loop with this seam, closed, the seam in the middle; nothing is made or changed"""

    bl_idname = "takemill.play_seam"
    bl_label = "Play Seam"
    needs = (*_NEEDS, found_seams)

    step: bpy.props.IntProperty(
        name="Step",
        description="By how many rows to go on before: 1 for the next seam, -1 for the one before",
    )

    def run(self, context: bpy.types.Context) -> Steps[str]:
        cut, old = chosen_cut(context), actions.active_action(stage.armature_of(context))
        index = (max(cut.seam_index, 0) + self.step) % len(cut.seams)
        seam = cut.seams[index]
        work = yield from self.read_work.steps(context, loop_behind(old))
        settings = recipe.recipe_of(context.scene)
        first, last = (Moment(frame - work.take.start, in_frames=True) for frame in (seam.start, seam.end))
        spec = ClipSpec(cut.name, first, last, loop=True, search=False, kind=cut.kind)
        settings = replace(settings, loop=replace(settings.loop, bad_seam="keep"))
        take = yield from takes.prepare_work.steps(work, settings)
        clip = yield from apart(_closed, take, spec, settings)
        text = yield from show_loop(context, work, clip, old, True, False)
        chosen_cut(context).seam_index = index
        return f"seam {index + 1} of {len(cut.seams)}: {text}"


def _closed(take: PreparedTake, spec: ClipSpec, settings: Recipe) -> FinishedClip:
    return finish_clip(cut_clip(take, spec, settings, judged=True), spec, settings, rooted=False)


class TAKEMILL_OT_use_seam(stage.Stage, bpy.types.Operator):
    """Make the chosen seam that of the cut. Cuts that lead to the loop, or follow it, seek their ends anew"""

    bl_idname = "takemill.use_seam"
    bl_label = "Use Seam"
    needs = (stage.an_armature, stage.an_action, found_seams)

    def run(self, context: bpy.types.Context) -> str:
        cut = chosen_cut(context)
        if not 0 <= cut.seam_index < len(cut.seams):
            raise InputError("no seam is chosen; click one in the list")
        seam = cut.seams[cut.seam_index]
        cut.start, cut.end, cut.search = seam.start, seam.end, False
        meeting = [one for one in _cuts(context).cuts if cut.name in (one.follows, one.leads_to)]
        for one in meeting:
            one.search = True
        text = f"{cut.name}: frames {cut.start} to {cut.end}, its seam {seam.quality} ({seam.gap_cm:.1f} cm)"
        if not meeting:
            return text
        return f"{text}; where it meets {', '.join(one.name for one in meeting)} is sought anew"


class TAKEMILL_OT_other_seams(stage.Stage, bpy.types.Operator):
    """Go to the take of the chosen clip, and list the seams that its cut could have"""

    bl_idname = "takemill.other_seams"
    bl_label = "Other Seams"
    needs = (stage.an_armature, stage.an_action, stage.a_body)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        armature = stage.armature_of(context)
        known = armature.takemill
        clip = known.clips[known.clip_index] if 0 <= known.clip_index < len(known.clips) else None
        take = clip_names.take_of(clip.action) if clip and clip.action else None
        rows = cuts_holder(take).takemill if take else None
        if rows is None or clip.name not in rows.cuts or not rows.cuts[clip.name].loop:
            raise InputError("the chosen clip has no cut that is a loop; choose another one")
        rows.cut_index = rows.cuts.find(clip.name)
        show(context, armature, take)
        context.scene.use_preview_range = False
        return (yield from TAKEMILL_OT_list_seams.run(self, context))


CLASSES = (
    TAKEMILL_OT_list_seams,
    TAKEMILL_OT_play_seam,
    TAKEMILL_OT_use_seam,
    TAKEMILL_OT_other_seams,
)
