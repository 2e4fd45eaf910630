"""The verbs that look at a take and repair it, and what other verbs read and print with them."""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import asdict, replace
from pathlib import Path
from typing import Literal

from ..base import disk
from ..base.plain import json_text
from ..body.body_map import BodyMap
from ..body.intake import Intake
from ..body.motion import Motion
from ..feet.contacts import Contacts, find_contacts
from ..files.bvh import write_bvh
from ..files.take_address import name_of
from ..files.take_motion import digest_of_file, takes_in
from ..health.check import Finding, Health
from ..health.check import check as check_health
from ..health.profile import KINDS, Kind
from ..health.table import count_by_kind, counts_text, outcome
from ..pages.health_page import HealthOf, render_health
from ..pipeline.prepare_take import Progress
from ..recipe.recipe import Recipe, read_recipe
from ..repair.repair import repair as repair_take
from ..sensors.misalignment import between_poses
from ..sets.clip_facts import Facts, round_number
from ..sets.take_files import Read, expect_another_file, intake_of, read_take
from . import console


def check(options: argparse.Namespace, progress: Progress) -> str:
    """The health of some takes; on a page, also what a repair makes of it."""
    recipe = recipe_of(options)
    takes = takes_in(options.takes)
    for path in takes:
        expect_another_file(path, options.html)
    parts, said, shown = [], [], []
    for number, path in enumerate(takes):
        progress(f"checking {path}", number / len(takes))
        log = IntakeLog()
        motion, body, _ = take_of(path, recipe, log)
        kind = log.profile_of(path)
        health = check_health(motion, body, recipe.health, profile=kind)
        contacts = find_contacts(motion, body, recipe.contacts)
        said.append(
            take_facts(path, motion, body, log)
            | {
                "measures": _measures(health),
                "kinds": _kinds(health),
                "findings": [_finding(one) for one in health.findings],
                "contacts": _contacts(contacts),
            }
        )
        parts.append("\n".join([*log.lines, console.health_text(name_of(path), motion, health)]))
        if options.html:
            progress(f"repairing {path}", (number + 0.5) / len(takes))
            repaired, findings = repair_take(motion, body, replace(recipe.repair, profile=kind))
            after = check_health(repaired, body, recipe.health)
            shown.append(HealthOf(name_of(path), motion, body, health, repaired, after, findings, would=True))
    if options.html:
        _write_page(
            options.html, shown, "Health check", "What a repair with these settings would make of it."
        )
        parts.append(f"the page is {options.html}")
    return as_json({"takes": said}) if options.json else "\n\n".join(parts)


def _pairs(times: Sequence[float]) -> tuple[tuple[float, float], ...]:
    """Four times as two stretches."""
    return (times[0], times[1]), (times[2], times[3])


def repair(options: argparse.Namespace, progress: Progress) -> str:
    """A take repaired, as another file."""
    recipe = recipe_of(options)
    for other in (options.out, options.html):
        expect_another_file(options.take, other)
    if options.html:
        expect_another_file(options.out, options.html, "the repaired take")
    settings = recipe.repair
    settings = replace(
        settings,
        calibration=settings.calibration or options.calibrate,
        trim=settings.trim or options.trim,
        same_pose_s=_pairs(options.same_pose) if options.same_pose else settings.same_pose_s,
    )
    progress(f"reading {options.take}", 0.0)
    log = IntakeLog()
    motion, body, layout = take_of(options.take, recipe, log)
    kind = log.profile_of(options.take)
    progress(f"repairing {options.take}", 0.2)
    repaired, findings = repair_take(motion, body, replace(settings, profile=kind))
    kept = between_poses(repaired, body) if settings.trim else (0, len(motion))
    progress("checking", 0.6)
    before = check_health(motion, body, recipe.health, profile=kind)
    after = check_health(repaired, body, recipe.health)
    all_found = outcome(before.findings, after.findings, findings)
    progress(f"writing {options.out}", 0.9)
    if options.html:
        one = HealthOf(name_of(options.take), motion, body, before, repaired, after, findings)
        _write_page(options.html, [one], "Repair", "Before and after.")
    write_bvh(options.out, repaired.slice(*kept), layout)
    if options.json:
        said = take_facts(options.take, motion, body, log) | {"out": str(options.out), "kept": list(kept)}
        said["measures"] = {"before": _measures(before), "after": _measures(after)}
        return as_json(
            said | {"kinds": _kinds(before, all_found), "findings": [_finding(one) for one in all_found]}
        )
    tail = f"{counts_text(all_found)}; written to {options.out}"
    if settings.trim:
        tail += (
            f", frames {kept[0]} to {kept[1] - 1}"
            if kept != (0, len(motion))
            else ", which has no pose to trim"
        )
    parts = [
        "\n".join([*log.lines, console.measures_table(before, after)]),
        console.kinds_table(before, all_found),
        tail,
    ]
    return "\n\n".join(part for part in parts if part)


def _write_page(place: str, takes: Sequence[HealthOf], title: str, about: str) -> None:
    disk.write_whole(place, render_health(takes, title, about).encode())


class IntakeLog:
    """What takes were read as, for a person and for a program, in the order in which they were read."""

    def __init__(self) -> None:
        self.lines: list[str] = []
        self.facts: dict[str, Facts] = {}
        self.problems: tuple[str, ...] = ()

    def __call__(self, name: str, intake: Intake) -> None:
        """Keep what a take was read as."""
        more = (*intake.problems, *intake.notes)
        self.lines += [f"{name}: {intake.line()}", *(f"  {one}" for one in more)]
        self.problems += tuple(f"{name}: {problem}" for problem in intake.problems)
        facts = asdict(intake)
        numbers = {key: round_number(value, 4) for key, value in facts.items() if isinstance(value, float)}
        self.facts[name] = (
            facts
            | numbers
            | {
                "problems": list(intake.problems),
                "notes": list(intake.notes),
            }
        )

    def profile_of(self, path: str | Path) -> Kind | Literal[""]:
        """What recorded a take, which is found once; "" where nobody looked."""
        said = self.facts.get(name_of(path), {}).get("recorded_by")
        return next((kind for kind in KINDS if kind == said), "")


def recipe_of(options: argparse.Namespace) -> Recipe:
    """The recipe that was asked for, or all defaults; what the command line says of the takes counts more."""
    recipe = read_recipe(options.recipe) if options.recipe else Recipe()
    said = {
        name: value
        for name in ("reference", "unit_m", "up")
        if (value := getattr(options, name, None)) is not None
    }
    wanted = {
        name: value
        for name in ("profile", "path_from")
        if (value := getattr(options, name, None)) is not None
    }
    recipe = replace(recipe, repair=replace(recipe.repair, **wanted))
    return replace(recipe, intake=replace(recipe.intake, **said))


def take_of(path: str | Path, recipe: Recipe, log: IntakeLog) -> Read:
    """A take, its body map and how its file was laid out."""
    read = read_take(path, recipe)
    if (intake := intake_of(read, recipe)) is not None:
        log(name_of(path), intake)
    return read


def as_json(data: object) -> str:
    """JSON as the command line prints it."""
    return json_text(data)


def take_facts(path: str | Path, motion: Motion, body: BodyMap, log: IntakeLog) -> Facts:
    """What JSON says of any take."""
    return {
        "take": name_of(path),
        "file": str(path),
        "sha256": digest_of_file(path),
        "frames": len(motion),
        "rate": round_number(motion.rate),
        "duration_s": round_number(motion.duration_s),
        "joints": len(motion.skeleton),
        "intake": log.facts.get(name_of(path)),
        "body": dict(sorted(body.names(motion.skeleton).items())),
    }


def _measures(health: Health) -> Facts:
    return {name: round_number(value, 3) for name, value in health.measures.items()}


def _kinds(before: Health, outcome: Sequence[Finding] = ()) -> list[Facts]:
    rows = count_by_kind(before.findings, outcome)
    said = [
        {"kind": row.kind, "findings": row.count, "repaired": row.repaired, "left": row.left}
        | {"frames": row.frames, "joints": row.joints}
        | {"worst": _finding(row.worst)}
        for row in rows
    ]
    return (
        said
        if outcome
        else [
            {name: value for name, value in row.items() if name not in ("repaired", "left")} for row in said
        ]
    )


def _finding(finding: Finding) -> Facts:
    return asdict(finding) | {"amount": round_number(finding.amount, 3)}


def _contacts(contacts: Contacts) -> Facts:
    return {foot: [list(planted) for planted in contacts.ranges(foot)] for foot in contacts.feet}
