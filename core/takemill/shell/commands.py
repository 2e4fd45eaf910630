"""What each verb of the command line does: read, call the stages, write, and give back the text to print."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path

from ..api.clip_verbs import find_loops, suggest_cuts, suggest_idle
from ..api.set_verbs import verify_set
from ..api.take_verbs import repair_take
from ..api.working_take import Take
from ..base.errors import InputError, TakemillError
from ..files.take_address import name_of
from ..loops.loop_search import LoopCandidate
from ..pipeline.prepare_take import Progress
from ..recipe.recipe import Recipe, parse_moment
from ..recipe.recipe_clip import part_name
from ..recipe.recipe_text import recipe_text
from ..sets.clip_facts import Facts, round_number
from ..sets.packing import pack_takes
from ..sets.packing_characters import character_folder, pack_characters
from ..sets.set_folder import unfinished
from . import console, demos
from .commands_build import build as build
from .commands_takes import IntakeLog, as_json, recipe_of, take_facts, take_of
from .commands_takes import check as check
from .commands_takes import repair as repair
from .commands_watch import watch as watch

_UNFINISHED = (
    "some of these sets are older than the others: a pack was killed while they changed places; pack again"
)


def cuts(options: argparse.Namespace, progress: Progress) -> str:
    """The clips that suggest themselves."""
    recipe = recipe_of(options)
    if options.shots is not None:
        names = tuple(name for word in options.shots.split(",") if (name := word.strip()))
        recipe = replace(recipe, cuts=replace(recipe.cuts, shot_list=names))
    if options.parts:
        recipe = replace(recipe, cuts=replace(recipe.cuts, combinations="parts"))
    if options.whole_gaits:
        recipe = replace(recipe, cuts=replace(recipe.cuts, gaits="whole"))
    log = IntakeLog()
    take = _repaired(options, recipe, progress, log)
    found = suggest_cuts(take, recipe)
    given = {cut.name for cut in found}
    missing = [name for name in recipe.cuts.shot_list if not {name, part_name(name, "loop")} & given]
    log.lines += [f"no cut fits the name {name!r} of the shot list" for name in missing]
    if options.toml:
        lines = [f"# {line}" for line in log.lines]
        return "\n".join([*lines, console.cuts_toml(take.name, take.rate, found)])
    if options.json:
        said = [asdict(cut) | _times(cut.start, cut.stop - 1, take.rate) for cut in found]
        return as_json(take_facts(options.take, take.motion, take.body_map, log) | {"cuts": said})
    return "\n".join([*log.lines, console.cuts_table(found, take.rate)])


def recipe(options: argparse.Namespace, progress: Progress) -> str:
    """A recipe with every setting."""
    del options, progress
    return recipe_text()


def loops(options: argparse.Namespace, progress: Progress) -> str:
    """Where a stretch of a take repeats itself."""
    recipe = recipe_of(options)
    if options.count is not None and options.count < 1:
        raise InputError(f"--count: expected 1 or more, got {options.count}")
    recipe = replace(recipe, loop=replace(recipe.loop, count=options.count or recipe.loop.count))
    _expect_times(options)
    log = IntakeLog()
    take = _repaired(options, recipe, progress, log)
    progress("looking for loops", 0.8)
    found = find_loops(take, options.start, options.stop, recipe)
    if options.json:
        said = [_loop(one, take.rate) for one in found]
        return as_json(take_facts(options.take, take.motion, take.body_map, log) | {"loops": said})
    return "\n".join([*log.lines, console.loops_table(found, take.rate)])


def idle(options: argparse.Namespace, progress: Progress) -> str:
    """An idle of a wanted length from a take's calm, and the fidgets beside it."""
    recipe = recipe_of(options)
    if not 1 <= options.length <= 600 or options.seed < 0:
        raise InputError("--length: expected 1 to 600 seconds, --seed: 0 or more")
    _expect_times(options)
    log = IntakeLog()
    take = _repaired(options, recipe, progress, log)
    progress("putting an idle together", 0.8)
    found = suggest_idle(take, options.length, options.seed, options.start, options.stop, recipe)
    if options.toml:
        return "\n".join([*(f"# {line}" for line in log.lines), console.idle_toml(found)])
    if options.json:
        return as_json(
            take_facts(options.take, take.motion, take.body_map, log)
            | {"idle": console.idle_facts(found, take.rate)}
        )
    return "\n".join([*log.lines, console.idle_text(found, take.rate)])


def _expect_times(options: argparse.Namespace) -> None:
    """Insist on times, before the long work."""
    for name, text in (("from", options.start), ("to", options.stop)):
        if text is not None:
            parse_moment(text, f"--{name}")


class _NotMade(list[str]):
    """The clips that could not be made, each with why; the set is made of the others."""

    def __call__(self, name: str, problem: TakemillError) -> None:
        self.append(f"not made: {problem}" if repr(name) in str(problem) else f"not made: {name}: {problem}")


def _one_shots(facts: Sequence[Facts]) -> list[str]:
    """The clips that were to be loops, and are none, with why."""
    return [f"{clip['name']} is a one-shot, no loop: {clip['no_loop']}" for clip in facts if clip["no_loop"]]


def pack(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A set of clips in a folder."""
    recipe = recipe_of(options)
    recipe = replace(recipe, fbx=options.fbx or recipe.fbx)
    if options.to:
        return _pack_to(options, recipe, progress)
    log, kept = IntakeLog(), list[str]()
    lacks = _NotMade()
    facts = pack_takes(options.takes, recipe, options.out, progress, log, kept.append, lacks)
    if options.json:
        said = {"out": str(options.out), "intake": log.facts, "clips": facts, "kept": kept, "not_made": lacks}
        return as_json(said), int(bool(lacks))
    tail = [*kept, *lacks, *_one_shots(facts), f"{len(facts)} clips in {options.out}"]
    return "\n".join([*log.lines, console.clips_table(facts), "", *tail]), int(bool(lacks))


def _pack_to(options: argparse.Namespace, recipe: Recipe, progress: Progress) -> tuple[str, int]:
    log, kept = IntakeLog(), list[str]()
    lacks = _NotMade()
    said = pack_characters(options.takes, options.to, recipe, options.out, progress, log, kept.append, lacks)
    if options.json:
        told = {"out": str(options.out), "intake": log.facts, "characters": said, "kept": kept}
        return as_json(told | {"not_made": lacks}), int(bool(lacks))
    parts = ["\n".join([*log.lines, *kept, *lacks])]
    for name, facts in said.items():
        place = character_folder(options.out, name, len(said))
        tail = [*_one_shots(facts), f"{len(facts)} clips in {place}"]
        parts.append("\n".join([f"{name}:", console.clips_table(facts), "", *tail]))
    return "\n\n".join(parts), int(bool(lacks))


def verify(options: argparse.Namespace, progress: Progress) -> tuple[str, int]:
    """A set, or a folder of characters' sets, read back and judged."""
    log, recipe = IntakeLog(), recipe_of(options) if options.recipe or options.takes else None
    found = verify_set(options.folder, options.takes, recipe, to=options.to, progress=progress, on_intake=log)
    bad = not all(one.is_ok for one in found)
    said = {
        one.folder.name: {
            "problems": one.problems, "notes": one.notes, "clips": [asdict(clip) for clip in one.clips]
        }
        for one in found
    }  # fmt: skip
    texts = ["\n".join(log.lines)] if log.lines else []
    texts += [console.verdict_text(str(one.folder), one.problems, one.clips, one.notes) for one in found]
    if [one.folder for one in found] == [Path(options.folder)]:
        return as_json(said[found[0].folder.name]) if options.json else "\n\n".join(texts), int(bad)
    apart = [_UNFINISHED] if unfinished(options.folder) else []
    text = as_json({"problems": apart, "characters": said}) if options.json else "\n\n".join(texts + apart)
    return text, int(bad or bool(apart))


def demo(options: argparse.Namespace, progress: Progress) -> str:
    """The sample, all the way."""
    return demos.run(Path(options.out), progress, options.core)


def _repaired(options: argparse.Namespace, recipe: Recipe, progress: Progress, log: IntakeLog) -> Take:
    progress(f"reading {options.take}", 0.0)
    motion, body, layout = take_of(options.take, recipe, log)
    progress(f"repairing {options.take}", 0.2)
    return repair_take(Take(name_of(options.take), motion, body, layout), recipe)


def _loop(one: LoopCandidate, rate: float) -> Facts:
    gaps = {name: round_number(getattr(one, name), 3) for name in ("gap_cm", "gap_deg", "gap_cm_s")}
    return asdict(one) | gaps | _times(one.start, one.end, rate)


def _times(first: int, last: int, rate: float) -> Facts:
    return {"from_s": round_number(first / rate), "to_s": round_number(last / rate)}
