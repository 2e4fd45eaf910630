"""What each verb of the command line does: read, call the stages, write, and give back the text to print."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.cuts import suggest_cuts
from ..clip.loop_search import LoopCandidate, find_loops
from ..pipeline.stages import FinishedClip, Progress
from ..recipe.recipe import ClipSpec, Moment, Recipe, parse_moment
from ..recipe.recipe_text import recipe_text
from ..repair.repair import repair as repair_take
from ..sets.clip_facts import Facts, facts_again, rounded
from ..sets.packing import clips_of, pack_takes
from ..sets.packing_characters import clips_for, pack_characters, place_of
from ..sets.set_folder import unfinished
from ..sets.verify import notes_of, set_folders, verify_set
from . import console, demos
from .commands_takes import Told, as_json, recipe_of, take_facts, take_of
from .commands_takes import check as check
from .commands_takes import repair as repair

_UNFINISHED = (
    "some of these sets are older than the others: a pack was killed while they changed places; pack again"
)


def cuts(options: argparse.Namespace, progress: Progress) -> str:
    """The clips that suggest themselves."""
    recipe = recipe_of(options)
    told = Told()
    motion, body = _repaired(options, recipe, progress, told)
    found = suggest_cuts(motion, body, recipe.cuts)
    if options.toml:
        lines = [f"# {line}" for line in told.lines]
        return "\n".join([*lines, console.cuts_toml(Path(options.take).stem, motion.rate, found)])
    if options.json:
        said = [asdict(cut) | _times(cut.start, cut.stop - 1, motion.rate) for cut in found]
        return as_json(take_facts(options.take, motion, body, told) | {"cuts": said})
    return "\n".join([*told.lines, console.cuts_table(found, motion.rate)])


def recipe(options: argparse.Namespace, progress: Progress) -> str:
    """A recipe with every setting."""
    del options, progress
    return recipe_text()


def loops(options: argparse.Namespace, progress: Progress) -> str:
    """Where a stretch of a take repeats itself."""
    recipe = recipe_of(options)
    if options.count is not None and options.count < 1:
        raise InputError(f"--count: expected 1 or more, got {options.count}")
    settings = replace(recipe.loop, count=options.count or recipe.loop.count)
    start, stop = (
        parse_moment(text, f"--{name}") if text is not None else None
        for name, text in (("from", options.start), ("to", options.stop))
    )
    told = Told()
    motion, body = _repaired(options, recipe, progress, told)
    span = ClipSpec("the stretch", start or Moment(0), stop or Moment(len(motion) - 1, in_frames=True))
    first, last = span.frames(len(motion), motion.rate)
    progress("looking for loops", 0.8)
    found = [
        replace(one, start=first + one.start, end=first + one.end)
        for one in find_loops(motion.slice(first, last), body, settings)
    ]
    if options.json:
        said = [_loop(one, motion.rate) for one in found]
        return as_json(take_facts(options.take, motion, body, told) | {"loops": said})
    return "\n".join([*told.lines, console.loops_table(found, motion.rate)])


def pack(options: argparse.Namespace, progress: Progress) -> str:
    """A set of clips in a folder."""
    recipe = recipe_of(options)
    if options.to:
        return _pack_to(options, recipe, progress)
    told, kept = Told(), list[str]()
    facts = pack_takes(options.takes, recipe, options.out, progress, told, kept.append)
    if options.json:
        return as_json({"out": str(options.out), "intake": told.facts, "clips": facts, "kept": kept})
    tail = [*kept, f"{len(facts)} clips in {options.out}"]
    return "\n".join([*told.lines, console.clips_table(facts), "", *tail])


def _pack_to(options: argparse.Namespace, recipe: Recipe, progress: Progress) -> str:
    told, kept = Told(), list[str]()
    said = pack_characters(options.takes, options.to, recipe, options.out, progress, told, kept.append)
    if options.json:
        return as_json({"out": str(options.out), "intake": told.facts, "characters": said, "kept": kept})
    parts = ["\n".join([*told.lines, *kept])]
    for name, facts in said.items():
        place = place_of(options.out, name, len(said))
        parts.append(f"{name}:\n{console.clips_table(facts)}\n\n{len(facts)} clips in {place}")
    return "\n\n".join(parts)


def verify(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A set, or a folder of characters' sets, read back and judged."""
    recipe = recipe_of(options)
    folders = set_folders(options.folder)
    told = Told()
    # Told as a problem of the set, not as an error that leaves the set unread.
    reading = replace(recipe, intake=replace(recipe.intake, accept=True))
    again = _made_again(options, reading, progress, folders, told)
    odd = () if recipe.intake.accept else told.problems
    texts, said, bad = ["\n".join(told.lines)] if told.lines else [], {}, False
    for folder in folders:
        progress(f"reading {folder}", 0.9)
        clips = again.get(folder, ())
        motions = {clip.name: clip.motion for clip in clips}
        limit_m = recipe.reduce.max_error_m if clips or options.recipe else None
        facts = facts_again(clips, recipe) if clips else None
        wrong, verdicts = verify_set(folder, motions, facts, limit_m)
        notes = notes_of(folder)
        unknown = sorted(motions.keys() - {one.name for one in verdicts}) if verdicts else []
        wrong = (
            *odd,
            *wrong,
            *(f"the recipe makes a clip {name!r}, which is not in the set" for name in unknown),
        )
        bad |= bool(wrong) or any(one.problems for one in verdicts)
        said[folder.name] = {"problems": wrong, "notes": notes, "clips": [asdict(one) for one in verdicts]}
        texts.append(console.verdict_text(str(folder), wrong, verdicts, notes))
    if folders == (Path(options.folder),):
        return as_json(said[folders[0].name]) if options.json else "\n\n".join(texts), int(bad)
    apart = [_UNFINISHED] if unfinished(options.folder) else []
    text = as_json({"problems": apart, "characters": said}) if options.json else "\n\n".join(texts + apart)
    return text, int(bad or bool(apart))


def _made_again(
    options: argparse.Namespace,
    recipe: Recipe,
    progress: Progress,
    folders: Sequence[Path],
    told: Told,
) -> dict[Path, tuple[FinishedClip, ...]]:
    """The clips of each set, from the takes; nothing where these are not at hand.

    Raises:
        InputError: the characters that are given are not those whose sets are there.
    """
    if not options.takes:
        if options.to:
            raise InputError("--to: name the takes too, to make the clips again")
        return {}
    if not options.to:
        if len(folders) > 1:
            raise InputError(f"{options.folder} holds sets of characters; name each with --to")
        return {folders[0]: clips_of(options.takes, recipe, progress, told)}
    found = clips_for(options.takes, options.to, recipe, progress, told)
    again = {place_of(options.folder, name, len(options.to)): clips for name, clips in found.items()}
    missing = sorted(str(place) for place in again.keys() - {*folders})
    if missing:
        raise InputError(f"there is no set {missing[0]}")
    return again


def demo(options: argparse.Namespace, progress: Progress) -> str:
    """The sample, all the way."""
    return demos.run(Path(options.out), progress, options.core)


def _repaired(
    options: argparse.Namespace, recipe: Recipe, progress: Progress, told: Told
) -> tuple[Motion, BodyMap]:
    progress(f"reading {options.take}", 0.0)
    motion, body, _ = take_of(options.take, recipe, told)
    progress(f"repairing {options.take}", 0.2)
    return repair_take(motion, body, recipe.repair)[0], body


def _loop(one: LoopCandidate, rate: float) -> Facts:
    gaps = {name: rounded(getattr(one, name), 3) for name in ("gap_cm", "gap_deg", "gap_cm_s")}
    return asdict(one) | gaps | _times(one.start, one.end, rate)


def _times(first: int, last: int, rate: float) -> Facts:
    return {"from_s": rounded(first / rate), "to_s": rounded(last / rate)}
