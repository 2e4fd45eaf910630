"""How far the work is: which steps are done, which are behind something that changed, which comes next."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass

import bpy

from ..rigs import fingerprint
from . import characters, clip_names, stage
from .intake import last_reading
from .repair_limits import asked

STEPS = ("body", "check", "repair", "cuts", "characters", "clips", "pack")
"""The steps of the work after the take is picked, in their order."""

_OPTIONAL = ("check",)  # nothing waits for it


@dataclass(frozen=True)
class State:
    """Of a step: "done", "stale" or "waiting"; or "" where nothing is asked of it. And why it is stale."""

    word: str
    why: str = ""


WAITING, DONE, NOTHING = State("waiting"), State("done"), State("")


def take_at_hand(
    armature: bpy.types.Object, action: bpy.types.Action
) -> tuple[bpy.types.Object, bpy.types.Action]:
    """The performer and the take that are worked on, whichever clip, fit or preview of it is active."""
    if action.takemill.looping and action.takemill.source:
        action = action.takemill.source
    action = clip_names.take_of(action) or action
    fitted = characters.fitted_whole(action)
    return (fitted.takemill.performer, fitted.takemill.source) if fitted else (armature, action)


def states_of(context: bpy.types.Context, armature: bpy.types.Object) -> dict[str, State]:
    """The state of each step."""
    action = stage.find_active_action(armature)
    if action is None:
        return dict.fromkeys(STEPS, WAITING)
    performer, take = take_at_hand(armature, action)
    return {
        "body": _body(context, performer),
        "check": _check(take),
        "repair": _repair(context, performer, take),
        "cuts": _cuts(take),
        "characters": _characters(context, take),
        "clips": _clips(context, performer, take),
        "pack": _pack(context, armature),
    }


def next_step(states: dict[str, State]) -> str:
    """The step that comes next: the first that is stale, else the first that waits behind those done."""
    stale = next((name for name in STEPS if states[name].word == "stale"), "")
    if stale:
        return stale
    done = [k for k, name in enumerate(STEPS) if states[name].word == "done" and name not in _OPTIONAL]
    return next(
        (
            name
            for name in STEPS[max(done, default=-1) + 1 :]
            if states[name].word == "waiting" and name not in _OPTIONAL
        ),
        "",
    )


def _body(context: bpy.types.Context, performer: bpy.types.Object) -> State:
    if not stage.any_part(performer):
        return WAITING
    holds = last_reading(context, performer)[1]
    return DONE if holds else State("stale", "the frame rate, the place or the reference pose has changed")


def _check(take: bpy.types.Action) -> State:
    known = take.takemill
    if not known.measures:
        return WAITING
    return State("stale", f"the keys of {take.name} have changed") if _changed(take, known.keys) else DONE


def _changed(action: bpy.types.Action, keys: str) -> bool:
    """Whether an Action has other keys than it had; False where that is not known."""
    now = fingerprint.last_keys(action) if keys else ""
    return bool(now) and now != keys


def _repair(context: bpy.types.Context, performer: bpy.types.Object, take: bpy.types.Action) -> State:
    known = take.takemill
    if not known.repaired or known.preview or known.source is None:
        return WAITING
    if _changed(known.source, known.source_keys):
        return State("stale", f"the keys of {known.source.name} have changed")
    if known.asked and known.asked != asked(context, performer, known.source):
        return State("stale", "its settings have changed")
    return DONE


def _cuts(take: bpy.types.Action) -> State:
    known = characters.cuts_holder(take).takemill
    if not any(cut.use for cut in known.cuts):
        return WAITING
    ends = take.frame_range
    outside = next((cut.name for cut in known.cuts if cut.start < ends[0] or cut.end > ends[1]), "")
    return State("stale", f"the cut {outside} reaches out of the take") if outside else DONE


def fit_asked(scene: bpy.types.Scene, character: bpy.types.Object) -> str:
    """What a fit to a character depends on beside the take, as text."""
    chosen = scene.takemill
    names = [one.identifier for one in chosen.bl_rna.properties if one.identifier.startswith("fit_")]
    said = {name: _plain(getattr(chosen, name)) for name in names}
    row = next((one for one in chosen.characters if one.armature == character), None)
    if row is not None and row.own:
        said["own"] = [_plain(getattr(row, name)) for name in (*characters.FIELDS, "take_wins")]
    return json.dumps(said)


def _plain(value: object) -> object:
    return sorted(value) if isinstance(value, set) else value


def _characters(context: bpy.types.Context, take: bpy.types.Action) -> State:
    cast = characters.ticked(context.scene)
    if not cast:
        return NOTHING
    waiting = False
    for one in cast:
        fit = characters.fit_of(one, take)
        whole = characters.fitted_whole(fit) if fit else None
        if whole is None:
            last = characters.last_fit(one)
            if last is not None and last.takemill.source is not None:
                return State("stale", f"{one.name} has the fit of {last.takemill.source.name}")
            waiting = True
        elif _changed(take, whole.takemill.source_keys):
            return State("stale", f"the keys of {take.name} have changed")
        elif whole.takemill.asked and whole.takemill.asked != fit_asked(context.scene, one):
            return State("stale", f"settings of the fit to {one.name} have changed")
    return WAITING if waiting else DONE


def cut_asked(cut: bpy.types.PropertyGroup) -> str:
    """What a cut asks for, as text."""
    left = {"rna_type", "name", "use", "line", "why", "given_name", "given_kind", "seams", "seam_index"}
    names = [one.identifier for one in cut.bl_rna.properties if one.identifier not in left]
    return json.dumps({name: getattr(cut, name) for name in names})


def _clips(context: bpy.types.Context, performer: bpy.types.Object, take: bpy.types.Action) -> State:
    cuts = [cut for cut in characters.cuts_holder(take).takemill.cuts if cut.use]
    bodies = list(_bodies(context, performer, take))
    made = [clip for one, _ in bodies for clip in one.takemill.clips if clip.action]
    if not cuts or not made:
        return WAITING
    wanted = {cut.name: cut_asked(cut) for cut in cuts}
    for armature, theirs in bodies:
        for clip in armature.takemill.clips:
            source = clip_names.take_of(clip.action) if clip.action else None
            if source is None or clip.name not in wanted:
                continue
            if source != theirs:
                return State("stale", f"{clip.name} of {armature.name} is a clip of {source.name}")
            if clip.action.takemill.asked and clip.action.takemill.asked != wanted[clip.name]:
                return State("stale", f"the cut {clip.name} has changed")
    return DONE


def _bodies(
    context: bpy.types.Context, performer: bpy.types.Object, take: bpy.types.Action
) -> Iterator[tuple[bpy.types.Object, bpy.types.Action]]:
    """Whose clips are made, each with the Action that they are cut from."""
    cast = [(one, characters.fit_of(one, take)) for one in characters.ticked(context.scene)]
    fitted = [(one, fit) for one, fit in cast if fit is not None]
    yield from fitted
    if context.scene.takemill.performer_clips or not fitted:
        yield performer, take


def pack_asked(armature: bpy.types.Object) -> str:
    """The ticked clips of an armature, as text."""
    clips = (one for one in armature.takemill.clips if one.use and one.action)
    return json.dumps([[one.name, one.action.takemill.made] for one in clips])


def _pack(context: bpy.types.Context, armature: bpy.types.Object) -> State:
    chosen = context.scene.takemill
    cast = characters.ticked(context.scene) if chosen.pack_characters == "TICKED" else []
    cast = cast or [armature]
    if not all(one.takemill.packed for one in cast):
        return WAITING
    changed = next((one.name for one in cast if one.takemill.packed != pack_asked(one)), "")
    return State("stale", f"the clips of {changed} have changed") if changed else DONE
