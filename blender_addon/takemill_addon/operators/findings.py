"""The health of a take: looked for, and put on the timeline."""

from __future__ import annotations

from dataclasses import replace

import bpy
from bpy_extras.io_utils import ExportHelper

from takemill.base.disk import write_whole
from takemill.base.errors import InputError
from takemill.health.check import check
from takemill.health.profile import find_profile
from takemill.pages.health_page import HealthOf, render_health
from takemill.pipeline.prepare_take import digest_of
from takemill.repair.repair import repair

from ..bridge.motion.read_action import take_frames
from ..bridge.rigs import fingerprint
from ..bridge.scene import actions, paths
from ..bridge.scene.pose_markers import shows_finding
from ..bridge.scene.steps import Steps, apart
from ..bridge.takes import findings, recipe, stage
from .repair import repair_recipe


class TAKEMILL_OT_check_take(stage.Stage, bpy.types.Operator):
    """Look for spikes, frozen sensors, jitter, skating feet and a wrong floor; the take is only read"""

    bl_idname = "takemill.check_take"
    bl_label = "Check Take"
    needs = (stage.an_armature, stage.an_action, stage.own_action, stage.a_body)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from self.read_work.steps(context)
        motion, settings = work.take.motion, recipe.recipe_of(context.scene).health
        health = yield from apart(check, motion, work.body, settings)
        reading = yield from stage.reading_of.steps(context, work)
        digest = yield from apart(digest_of, motion)
        health = findings.as_read(health, reading, len(motion))
        keys = yield from fingerprint.keys_of.steps(work.action)
        findings.keep(work.action, health, work.take.start, digest)
        work.action.takemill.keys = keys
        stage.note_reading(work)
        return f"{work.action.name}: {findings.summary(health.findings)}"


def some_findings(context: bpy.types.Context) -> str:
    """Needs an Action with findings."""
    known = stage.armature_of(context).animation_data.action.takemill
    return "" if known.findings else "Check the take first; there is no finding to mark"


def findings_shown(context: bpy.types.Context) -> str:
    """Needs a finding in the list."""
    known = stage.armature_of(context).animation_data.action.takemill
    if not known.findings:
        return "Check the take first; there is no finding to go to"
    return "" if findings.shown_rows(known, context.scene) else "The list shows no finding; choose All Kinds"


class TAKEMILL_OT_step_finding(stage.Stage, bpy.types.Operator):
    """Go to the next finding of the list, or to the one before"""

    bl_idname = "takemill.step_finding"
    bl_label = "Next Finding"
    needs = (stage.an_armature, stage.an_action, findings_shown)

    back: bpy.props.BoolProperty(name="Back", description="Go to the finding before instead of the next")

    def run(self, context: bpy.types.Context) -> str:
        known = actions.active_action(stage.armature_of(context)).takemill
        rows = findings.shown_rows(known, context.scene)
        here = rows.index(known.finding_index) if known.finding_index in rows else (0 if self.back else -1)
        known.finding_index = rows[(here + (-1 if self.back else 1)) % len(rows)]
        one = known.findings[known.finding_index]
        return f"{rows.index(known.finding_index) + 1} of {len(rows)}: {one.kind} {one.joint or 'body'}"


class TAKEMILL_OT_accept_finding(stage.Stage, bpy.types.Operator):
    """Accept this finding: the next repair leaves its bone in these frames as it came. Again repairs it"""

    bl_idname = "takemill.accept_finding"
    bl_label = "Accept Finding"
    needs = (stage.an_armature, stage.an_action, findings_shown)

    index: bpy.props.IntProperty(name="Finding", default=-1, description="Its number; -1 for the chosen one")

    def run(self, context: bpy.types.Context) -> str:
        action = actions.active_action(stage.armature_of(context))
        known = action.takemill
        index = known.finding_index if self.index < 0 else self.index
        if not 0 <= index < len(known.findings):
            raise InputError("no finding is chosen; click one in the list")
        one = known.findings[index]
        if not one.joint:
            raise InputError(
                f"{one.kind} is about the whole body; untick its step in the panel Repair to leave it"
            )
        findings.accept(action, one, not one.accepted)
        what = "is left as it came" if one.accepted else "is repaired"
        return f"{one.kind} of {one.joint} {what} by the next repair"


class TAKEMILL_OT_add_finding_markers(stage.Stage, bpy.types.Operator):
    """Add a pose marker to the action for each finding; no key is touched"""

    bl_idname = "takemill.add_finding_markers"
    bl_label = "Add Finding Markers"
    needs = (stage.an_armature, stage.an_action, stage.own_action, some_findings)

    def run(self, context: bpy.types.Context) -> str:
        armature = stage.armature_of(context)
        action = actions.active_action(armature)
        frames = take_frames(action, actions.channelbag(action, actions.slot_for(action, armature)))
        count = findings.write_events(action, frames)
        if not count:
            raise InputError(f"action {action.name!r}: its findings concern all of it; none has a place")
        return f"{count} markers on {action.name}"


class TAKEMILL_OT_clear_finding_markers(stage.Stage, bpy.types.Operator):
    """Remove the markers of findings from the action; events and all other markers stay"""

    bl_idname = "takemill.clear_finding_markers"
    bl_label = "Clear Finding Markers"

    @staticmethod
    def _a_marker(context: bpy.types.Context) -> str:
        markers = stage.armature_of(context).animation_data.action.pose_markers
        found = any(map(shows_finding, markers))
        return "" if found else "The action has no markers of findings"

    needs = (stage.an_armature, stage.an_action, stage.own_action, _a_marker)

    def run(self, context: bpy.types.Context) -> str:
        action = actions.active_action(stage.armature_of(context))
        return f"{findings.clear_finding_markers(action)} markers removed from {action.name}"


class TAKEMILL_OT_health_page(stage.Stage, bpy.types.Operator, ExportHelper):
    """Save a page with plots of the take before and after its repair, and open it in the web browser"""

    bl_idname = "takemill.health_page"
    bl_label = "Health Page"
    needs = (stage.an_armature, stage.an_action, stage.own_action, stage.a_body)
    filename_ext = ".html"

    filepath: paths.property_of_a_file()
    filter_glob: bpy.props.StringProperty(default="*.html", options={"HIDDEN"})
    open_it: bpy.props.BoolProperty(
        name="Open in Browser", default=True, description="Show the page once it is saved"
    )

    def invoke(self, context, event):
        name = bpy.path.clean_name(actions.active_action(stage.armature_of(context)).name)
        self.filepath = paths.beside(f"{name}_health.html")
        return super().invoke(context, event)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        action = actions.active_action(stage.armature_of(context))
        raw = findings.raw_of(action)
        health = yield from _repaired_health(context, raw, action) if raw else _likely_health(context)
        about = "Before and after." if raw else "What a repair with these settings would make of it."
        path = paths.absolute(self.filepath)
        page = yield from apart(render_health, [health], "Health", about)
        write_whole(path, page.encode())
        if self.open_it and not bpy.app.background:
            bpy.ops.wm.url_open(url=path.as_uri())
        return f"the page is {path}"


def _repaired_health(
    context: bpy.types.Context, raw: bpy.types.Action, repaired: bpy.types.Action
) -> Steps[HealthOf]:
    """The health of a take and of its repair, both as they are now."""
    before = yield from stage.work_from_context.steps(context, raw)
    after = yield from stage.work_from_context.steps(context, repaired)
    motions = [work.take.motion for work in (before, after)]
    settings = recipe.recipe_of(context.scene).health
    healths = []
    for motion in motions:
        healths.append((yield from apart(check, motion, after.body, settings)))
    known = findings.kept(repaired, after.take.start)
    found = known.findings if known else ()
    return HealthOf(raw.name, motions[0], after.body, healths[0], motions[1], healths[1], found)


def _likely_health(context: bpy.types.Context) -> Steps[HealthOf]:
    """The health of the active take, and of what the scene's settings would make of it."""
    work = yield from stage.work_from_context.steps(context)
    motion, body = work.take.motion, work.body
    chosen = repair_recipe(context, work)
    kind = chosen.repair.profile or (yield from apart(find_profile, motion, body)).kind
    repaired, found = yield from apart(repair, motion, body, replace(chosen.repair, profile=kind))
    before = yield from apart(check, motion, body, chosen.health, profile=kind)
    after = yield from apart(check, repaired, body, chosen.health)
    return HealthOf(work.action.name, motion, body, before, repaired, after, found, would=True)


CLASSES = (
    TAKEMILL_OT_check_take,
    TAKEMILL_OT_step_finding,
    TAKEMILL_OT_accept_finding,
    TAKEMILL_OT_add_finding_markers,
    TAKEMILL_OT_clear_finding_markers,
    TAKEMILL_OT_health_page,
)
