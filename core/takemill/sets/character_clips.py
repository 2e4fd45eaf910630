"""A performer's prepared takes as one character's clips, and as its set."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from ..pipeline import stages
from ..pipeline.character_face import face_offset_s
from ..pipeline.face_clips import describe_faceless, face_clips
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.fit_notes import fit_notes, unused_settings
from ..pipeline.fit_take import fit_take
from ..pipeline.plan_clips import Plan
from ..pipeline.prepare_take import PreparedTake, Progress
from ..pipeline.swing_clips import swing_clips
from ..recipe.recipe import Recipe
from . import clip_set
from .character import Character
from .character_facts import CharacterFacts
from .fit_quality import fit_lines
from .own_animations import describe_own, face_of, with_own_joints
from .report_figures import Companion

FaceBegin = tuple[str, float]
"""The take that a face belongs to, and by how many seconds its animation begins later."""


def expect_fit(
    one: Character,
    takes: Sequence[PreparedTake],
    recipe: Recipe,
    say: Callable[[str], None] = clip_set.say_nothing,
) -> FaceBegin | None:
    """What is asked for of a character is there, before the long work; when its face begins, if it plays one.

    Raises:
        TakemillError: the character has no such animation, or does not stand upright in it, or its face
            belongs to no take that is there.
    """
    spec = face_of(recipe, one.name)
    begin = face_offset_s(one.name, spec, takes) if spec else None
    fit = recipe.of_character(one.name).fit
    one.rest_skeleton(fit)
    one.hand_pose(fit)  # what is wrong with it is said before the work
    for line in unused_settings(takes, fit):
        say(f"{one.name}: {line}")
    return begin


def fit_character(
    one: Character,
    takes: Sequence[PreparedTake],
    plan: Plan,
    begin: FaceBegin | None,
    progress: Progress,
    say: Callable[[str], None] = clip_set.say_nothing,
) -> tuple[Character, Recipe, tuple[FinishedClip, ...]]:
    """A character as its clips need it, its recipe, and the clips of a plan whose seams are settled.

    Args:
        one: the character.
        takes: the performer's.
        plan: the clips, as `stages.settle_seams` left them.
        begin: what `expect_fit` said of its face.
        progress: called with the share that is done.
        say: called with what a person should know of the fit.

    Raises:
        TakemillError: the character lacks a part that the fit needs, or a clip cannot be made on it.
    """
    own = plan.for_character(one.name)
    if own.is_rooted:
        one = one.with_root()
    fit, hands = own.recipe.fit, one.hand_pose(own.recipe.fit)
    skeleton = one.rest_skeleton(fit)
    fitted = [fit_take(take, skeleton, one.body, fit, hands, one.shape) for take in takes]
    for pair in zip(takes, fitted, strict=True):
        for line in fit_notes(*pair, fit, f"{one.name}, {pair[0].name}"):
            say(line)
    name, offset_s = begin or ("", 0.0)
    brought = one.own(face_of(plan.recipe, one.name), offset_s)
    played: tuple[int, ...] = ()
    if layer := brought.joints():
        place = [take.name for take in fitted].index(name)
        fitted[place], played = with_own_joints(fitted[place], layer, brought.spec.take_wins)
        names = [skeleton.names[joint] for joint in played]
        say(f"{one.name}: {describe_own(layer.animation, names, name, offset_s)}")
    clips = stages.resample_clips(stages.make_clips(fitted, own, progress))
    clips = tuple(replace(clip, own_joints=played if clip.source == name else ()) for clip in clips)
    clips = swing_clips(clips, one.springs(own.recipe), own.recipe.neutral)
    if faces := {name: brought.faces()} if brought.spec.animation else {}:
        rates = {take.name: take.motion.rate for take in takes}
        clips = face_clips(clips, faces, rates, own.recipe.neutral)
        if faces[name]:
            say(f"{one.name}: its face {brought.spec.animation!r} begins at {offset_s:.3f} s of {name}")
        for line in describe_faceless(clips, faces):
            say(f"{one.name}: {line}")
    return one, own.recipe, clips


def build_character_set(
    one: Character,
    takes: Sequence[PreparedTake],
    clips: Sequence[FinishedClip],
    name: str,
    recipe: Recipe,
    progress: Progress,
    say: Callable[[str], None] = clip_set.say_nothing,
    companions: Sequence[Companion] = (),
) -> clip_set.ClipSet:
    """The set of a character's clips, not yet written.

    Args:
        one: the character, as `fit_character` gave it.
        takes: the performer's.
        clips: the character's.
        name: of the set.
        recipe: the character's own.
        progress: called with the share that is done.
        say: called with what a person should know of how the clips stand on it.
        companions: who is seen beside it in the report.

    Raises:
        TakemillError: as for `build_clip_set`, or the character has an animation that is called as a clip.
    """
    glb = one.make_room([clip.name for clip in clips], recipe.same_names)
    lacks = CharacterFacts.of(one.name, (take.body.joints for take in takes), one.body)
    built = clip_set.build_clip_set(
        glb, name, takes, clips, recipe, progress, one.rig.placed, lacks, companions
    )
    for line in fit_lines(built.facts, one.name, recipe.fit):
        say(line)
    return built
