"""Clips made from the cuts of a take: on the performer, and on each character that it was fitted to."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import bpy

from takemill.base.errors import InputError, TakemillError
from takemill.clip.seam_quality import SUGGESTED
from takemill.loops.loop_search import LoopCandidate
from takemill.pipeline import stages
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.plan_clips import OnFailure, Plan, plan_clips
from takemill.pipeline.prepare_take import PreparedTake
from takemill.pipeline.swing_clips import swing_clips
from takemill.recipe.recipe import Recipe

from ..bridge.characters.springs import chains_of
from ..bridge.clips import clip_record, cuts
from ..bridge.clips.clip_record import ClipRecord
from ..bridge.motion.write_action import carry_on, own_controls, write_motion
from ..bridge.scene.steps import Steps, apart, apart_told, within
from ..bridge.takes import characters, recipe, stage, states, takes
from ..bridge.takes.adjust import adjustable
from ..properties.clips import LoopProperties
from .cuts import write_events

FIRST_FRAME = 0  # of a clip: frame f of a clip lies at f / rate seconds, here and in the engine


def some_cuts(context: bpy.types.Context) -> str:
    """Needs a cut to make a clip of."""
    known = characters.cuts_holder(stage.find_active_action(stage.armature_of(context))).takemill
    return "" if any(cut.use for cut in known.cuts) else "Suggest or add cuts first, and leave one ticked"


@dataclass(frozen=True)
class _Body:
    """Whose clips are made: the performer, or a character with the take that was fitted to it.

    Attributes:
        work: its armature and its Action.
        take: the same, prepared.
        settings: the recipe with the ticked cuts as its clips.
        known: clips of its list that others are blended onto, by name.
        performer: the take that it was fitted from; None for the performer's own.
    """

    work: stage.Work
    take: PreparedTake
    settings: Recipe
    known: Mapping[str, FinishedClip]
    performer: PreparedTake | None

    @property
    def own_take(self) -> bool:
        """Whether it is no fitted one."""
        return self.performer is None


@adjustable(
    LoopProperties,
    "loop_cycles",
    "loop_bad_seam",
    "seam_s",
    "root_motion_turn",
    "root_motion_height",
    "root_motion_smooth_hz",
)
class TAKEMILL_OT_make_clips(stage.Stage, bpy.types.Operator):
    """Make actions of the ticked cuts, for the performer and each ticked character: loops are closed"""

    bl_idname = "takemill.make_clips"
    bl_label = "Make Clips"
    needs = (*stage.Stage.needs, some_cuts)

    def run(self, context: bpy.types.Context) -> Steps[str]:
        work = yield from within(self.read_work.steps(context), 0.0, 0.1)
        bodies, notes = yield from within(_bodies_of(context, work), 0.1, 0.3)
        lacks = dict[str, TakemillError]()
        made = yield from within(_make(bodies, lacks.__setitem__), 0.3, 0.8)
        asked = {cut.name: states.cut_asked(cut) for cut in _rows(work)}
        whole = [(body.work, clip) for body, clips in zip(bodies, made, strict=True) for clip in clips]
        new = []
        for number, (of, clip) in enumerate(whole):
            written = _written(context, of, clip)
            share = (0.8 + 0.2 * (number + k) / len(whole) for k in (0, 1))
            new.append((yield from within(written, *share)))
        for (of, clip), action in zip(whole, new, strict=True):
            _list_clip(of, clip, action)
            action.takemill.asked = asked.get(clip.name, "")
        stage.note_reading(work)
        for text in (*notes, *(f"not made: {problem}" for problem in lacks.values())):
            self.report({"WARNING"}, text)
        for of, clip in whole:
            if clip.stretches and (left := own_controls(of.armature, of.action)):
                text = f"{clip.name} on {of.armature.name} is joined of several stretches: what its controls"
                self.report({"WARNING"}, f"{text} play of their own is left out ({', '.join(sorted(left))})")
        for clip in made[0]:
            if clip.no_loop:
                self.report({"WARNING"}, f"{clip.name} is a one-shot, no loop: {clip.no_loop}")
        return _summary(bodies, made, list(lacks), notes)


def _summary(
    bodies: list[_Body], made: list[tuple[FinishedClip, ...]], lacks: list[str], notes: list[str]
) -> str:
    clips = made[0]
    whose = f" on each of {', '.join(one.work.armature.name for one in bodies)}" if len(bodies) > 1 else ""
    parts = [f"{len(clips)} clips made{whose}: {', '.join(clip.name for clip in clips)}"]
    if once := [clip.name for clip in clips if clip.no_loop]:
        parts.append(f"one-shots, no loops: {', '.join(once)}; Other Seams shows where they could repeat")
    if rough := [f"{clip.name} ({_seam_text(clip)})" for clip in clips if is_rough(clip.candidate)]:
        parts.append(f"seams to look at: {', '.join(rough)}; press Other Seams")
    if lacks:
        parts.append(f"not made: {', '.join(lacks)}")
    return "; ".join((*parts, *notes))


def is_rough(seam: LoopCandidate | None) -> bool:
    """Whether a seam is one that is seen."""
    return seam is not None and seam.quality not in SUGGESTED


def _seam_text(clip: FinishedClip) -> str:
    return f"{clip.candidate.quality}, {clip.candidate.gap_cm:.1f} cm" if clip.candidate else ""


def _bodies_of(context: bpy.types.Context, work: stage.Work) -> Steps[tuple[list[_Body], list[str]]]:
    """Whose clips are made, and what is to be said of those whose are not.

    Of a fitted take only its own character's are.

    Raises:
        InputError: nobody's can be.
    """
    scene, notes, bodies = context.scene, list[str](), list[_Body]()
    settings = _recipe(context, work, work)
    performed = yield from takes.performer_of.steps(context, work, settings)
    if performed:
        return [(yield from _body(context, work, settings, performed))], notes
    others: list[tuple[bpy.types.Object, bpy.types.Action]] = []
    ticked = characters.ticked(scene)
    for one in [] if work.armature in ticked else ticked:
        action = characters.fit_of(one, work.action)
        if action is not None:
            others.append((one, action))
        else:
            notes.append(f"{one.name} gets no clips: {work.action.name} is not fitted to it")
    if scene.takemill.performer_clips or not others:
        rooted = Plan(settings, settings.clips, False).is_rooted
        if others and rooted and work.body.get("root") is None:
            notes.append(f"{work.armature.name} gets no clips: it has no root bone for the root motion")
        else:
            bodies.append((yield from _body(context, work, settings, None)))
    for armature, action in others:
        fitted = yield from stage.work_on.steps(context, armature, action)
        own = _recipe(context, work, fitted)
        performed = yield from takes.performer_of.steps(context, fitted, own)
        if performed is None:
            notes.append(f"{armature.name} gets no clips: the take has other frames now; fit it again")
        else:
            bodies.append((yield from _body(context, fitted, own, performed)))
    if not bodies:
        raise InputError("; ".join(notes))
    return bodies, notes


def _body(
    context: bpy.types.Context,
    of: stage.Work,
    settings: Recipe,
    performed: tuple[PreparedTake, PreparedTake] | None,
) -> Steps[_Body]:
    _expect_root(of, settings)
    # What is wrong with chains is said before the work.
    chains_of(of.armature, of.take.motion.skeleton, of.body, settings, performed is None)
    if performed:
        performer, take = performed
    else:
        performer, take = None, (yield from takes.prepare_work.steps(of, settings))
    return _Body(of, take, settings, (yield from _clips_before(context, of, settings)), performer)


def _expect_root(work: stage.Work, settings: Recipe) -> None:
    """Insist on a root bone where root motion goes on one."""
    if work.body.get("root") is None and Plan(settings, settings.clips, False).is_rooted:
        raise InputError(
            f"armature {work.armature.name!r}: it has no root bone for the root motion; "
            "Add Root Bone in the Body panel, or choose another Root Motion for the cuts"
        )


def _make(bodies: list[_Body], failed: OnFailure) -> Steps[list[tuple[FinishedClip, ...]]]:
    """The clips of each body; of fitted takes, of the frames that are found on the performer.

    `failed` hears of each that cannot be made.
    """
    made, shared = list[tuple[FinishedClip, ...]](), None
    suggested = all(cut.line < 0 and cut.name == cut.given_name for cut in _rows(bodies[0].work))
    for number, body in enumerate(bodies):
        if body.performer is None:
            plan = yield from apart(plan_clips, [body.take], body.settings, body.known, failed)
        else:
            if shared is None:  # cut once, for all characters
                shared = yield from apart(plan_clips, [body.performer], body.settings, body.known, failed)
                shared = replace(shared, suggested=suggested)  # a one-shot is one for all
                shared = yield from apart(stages.settle_seams, [body.performer], shared, failed)
            left = shared.recipe
            own = replace(body.settings, clips=left.clips, variants=left.variants)
            plan = replace(shared, recipe=own, known=frozenset(body.known))
            plan = plan.for_character(body.work.armature.name)
        making = _made(body, replace(plan, suggested=suggested), failed)
        made.append((yield from within(making, number / len(bodies), (number + 1) / len(bodies))))
    return made


def _made(body: _Body, plan: Plan, failed: OnFailure) -> Steps[tuple[FinishedClip, ...]]:
    """The clips of one body."""
    known, neutral = body.known, body.settings.neutral
    clips = yield from apart_told(
        lambda tell: stages.make_clips([body.take], plan, lambda _, share: tell(share), known, failed)
    )
    first = clips[0].motion.skeleton, clips[0].body
    chains = chains_of(body.work.armature, *first, body.settings, body.own_take)
    return (yield from apart(swing_clips, clips, chains, neutral, known.get(neutral)))


def _clips_before(
    context: bpy.types.Context, work: stage.Work, settings: Recipe
) -> Steps[dict[str, FinishedClip]]:
    """Clips on the list that the ticked cuts need and that are not made with them: by name."""
    made = {spec.name for spec in settings.clips}
    wanted = {settings.neutral, *(one.additive_to for one in settings.variants)} - made - {""}
    found = {}
    for entry in work.armature.takemill.clips:
        if entry.name in wanted and entry.action is not None:
            read = clip_record.read_clip.steps(context, work.armature, entry.name, entry.action)
            found[entry.name] = yield from read
    return found


def _rows(work: stage.Work) -> list[bpy.types.PropertyGroup]:
    """The ticked cuts."""
    return [cut for cut in characters.cuts_holder(work.action).takemill.cuts if cut.use]


def _recipe(context: bpy.types.Context, work: stage.Work, of: stage.Work) -> Recipe:
    """The scene's recipe with the ticked cuts of `work` as its clips, and with what they are varied into.

    Repair and fit are those that made the Action `of` a body.
    """
    loaded = recipe.loaded_recipe(context.scene)
    settings = takes.as_made(of.action, recipe.recipe_of(context.scene))
    name = takes.take_name(work.action)
    specs = tuple(replace(cuts.spec_of(cut, work.take, loaded), take=name) for cut in _rows(work))
    names = {spec.name for spec in specs}
    return replace(
        settings,
        clips=specs,
        variants=tuple(one for one in settings.variants if one.of in names),
    )


def _written(context: bpy.types.Context, work: stage.Work, clip: FinishedClip) -> Steps[bpy.types.Action]:
    """A new Action for the clip; the take stays the active action."""
    frame, keyed = work.take.frame, work.keyed
    new = yield from write_motion.steps(
        context, work.armature, clip.motion, FIRST_FRAME, clip.name, frame, play=False, keyed=keyed
    )
    if not clip.stretches:
        carry_on(work.armature, work.action, new, FIRST_FRAME - work.take.start - clip.source_range[0])
    ClipRecord.of_clip(clip).keep(new)
    new.takemill.speed_m_s = clip.root_motion.distance_m / max(clip.motion.duration_s, 1e-6)
    write_events(new, clip.events, FIRST_FRAME)
    stage.note_source(new, work)
    return new


def _list_clip(work: stage.Work, clip: FinishedClip, new: bpy.types.Action) -> None:
    """Put a clip's Action on the armature's list."""
    clips = work.armature.takemill.clips
    entry = clips.get(clip.name) or clips.add()
    entry.name, entry.action, entry.use = clip.name, new, True


CLASSES = (TAKEMILL_OT_make_clips,)
