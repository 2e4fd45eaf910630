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
from ..sets.clip_facts import Facts, rounded
from ..sets.packing import clips_of, pack_takes
from ..sets.packing_characters import clips_for, pack_characters, place_of
from ..sets.set_folder import unfinished
from ..sets.verify import set_folders, verify_set
from . import console, demos
from .commands_takes import as_json, recipe_of, take_facts, take_of
from .commands_takes import check as check
from .commands_takes import repair as repair

_UNFINISHED = (
    "some of these sets are older than the others: a pack was killed while they changed places; pack again"
)


def cuts(options: argparse.Namespace, progress: Progress) -> str:
    """The clips that suggest themselves."""
    recipe = recipe_of(options)
    motion, body = _mended(options, recipe, progress)
    found = suggest_cuts(motion, body, recipe.cuts)
    if options.toml:
        return console.cuts_toml(Path(options.take).stem, motion.rate, found)
    if options.json:
        said = [asdict(cut) | _times(cut.start, cut.stop - 1, motion.rate) for cut in found]
        return as_json(take_facts(options.take, motion, body) | {"cuts": said})
    return console.cuts_table(found, motion.rate)


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
    motion, body = _mended(options, recipe, progress)
    span = ClipSpec("the stretch", start or Moment(0), stop or Moment(len(motion) - 1, in_frames=True))
    first, last = span.frames(len(motion), motion.rate)
    progress("looking for loops", 0.8)
    found = [
        replace(one, start=first + one.start, end=first + one.end)
        for one in find_loops(motion.slice(first, last), body, settings)
    ]
    if options.json:
        said = [_loop(one, motion.rate) for one in found]
        return as_json(take_facts(options.take, motion, body) | {"loops": said})
    return console.loops_table(found, motion.rate)


def pack(options: argparse.Namespace, progress: Progress) -> str:
    """A set of clips in a folder."""
    recipe = recipe_of(options)
    if options.to:
        return _pack_to(options, recipe, progress)
    kept: list[str] = []
    facts = pack_takes(options.takes, recipe, options.out, progress, options.unit_m, options.up, kept.append)
    if options.json:
        return as_json({"out": str(options.out), "clips": facts, "kept": kept})
    return "\n".join([console.clips_table(facts), "", *kept, f"{len(facts)} clips in {options.out}"])


def _pack_to(options: argparse.Namespace, recipe: Recipe, progress: Progress) -> str:
    given = (options.takes, options.to, recipe, options.out, progress, options.unit_m, options.up)
    kept: list[str] = []
    said = pack_characters(*given, kept.append)
    if options.json:
        return as_json({"out": str(options.out), "characters": said, "kept": kept})
    parts = ["\n".join(kept)] if kept else []
    for name, facts in said.items():
        place = place_of(options.out, name, len(said))
        parts.append(f"{name}:\n{console.clips_table(facts)}\n\n{len(facts)} clips in {place}")
    return "\n\n".join(parts)


def verify(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A set, or a folder of characters' sets, read back and judged."""
    recipe = recipe_of(options)
    folders = set_folders(options.folder)
    again = _made_again(options, recipe, progress, folders)
    texts, said, bad = [], {}, False
    for folder in folders:
        progress(f"reading {folder}", 0.9)
        motions = {clip.name: clip.motion for clip in again.get(folder, ())}
        wrong, verdicts = verify_set(folder, motions)
        unknown = sorted(motions.keys() - {one.name for one in verdicts}) if verdicts else []
        wrong = (*wrong, *(f"the recipe makes a clip {name!r}, which is not in the set" for name in unknown))
        bad |= bool(wrong) or any(one.problems for one in verdicts)
        said[folder.name] = {"problems": wrong, "clips": [asdict(one) for one in verdicts]}
        texts.append(console.verdict_text(str(folder), wrong, verdicts))
    if folders == (Path(options.folder),):
        return as_json(said[folders[0].name]) if options.json else texts[0], int(bad)
    apart = [_UNFINISHED] if unfinished(options.folder) else []
    text = as_json({"problems": apart, "characters": said}) if options.json else "\n\n".join(texts + apart)
    return text, int(bad or bool(apart))


def _made_again(
    options: argparse.Namespace, recipe: Recipe, progress: Progress, folders: Sequence[Path]
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
        return {folders[0]: clips_of(options.takes, recipe, progress, options.unit_m, options.up)}
    found = clips_for(options.takes, options.to, recipe, progress, options.unit_m, options.up)
    again = {place_of(options.folder, name, len(options.to)): clips for name, clips in found.items()}
    missing = sorted(str(place) for place in again.keys() - {*folders})
    if missing:
        raise InputError(f"there is no set {missing[0]}")
    return again


def demo(options: argparse.Namespace, progress: Progress) -> str:
    """The sample, all the way."""
    return demos.run(Path(options.out), progress, options.core)


def _mended(options: argparse.Namespace, recipe: Recipe, progress: Progress) -> tuple[Motion, BodyMap]:
    progress(f"reading {options.take}", 0.0)
    motion, body, _ = take_of(options.take, options, recipe)
    progress(f"repairing {options.take}", 0.2)
    return repair_take(motion, body, recipe.repair)[0], body


def _loop(one: LoopCandidate, rate: float) -> Facts:
    gaps = {name: rounded(getattr(one, name), 3) for name in ("gap_cm", "gap_deg", "gap_cm_s")}
    return asdict(one) | gaps | _times(one.start, one.end, rate)


def _times(first: int, last: int, rate: float) -> Facts:
    return {"from_s": rounded(first / rate), "to_s": rounded(last / rate)}
