"""What the command line prints for a person: plain tables."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence

from ..body.motion import Motion
from ..cuts.cuts import Cut
from ..health.check import Finding, Health
from ..health.table import count_by_kind, measure_rows
from ..idle.idle import describe_pace
from ..loops.loop_search import LoopCandidate
from ..pipeline.suggest_idle import SuggestedIdle
from ..recipe.recipe import ClipSpec, Recipe
from ..recipe.recipe_write import recipe_toml
from ..sets.clip_facts import Facts
from ..sets.fit_quality import fit_column
from ..sets.verify import Verdict

_MAX_LISTED_FINDINGS = 12  # of one kind, so that all kinds fit a screen (chosen by eye)


def table(head: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """Columns side by side; numbers to the right."""
    lines = [tuple(head), *map(tuple, rows)]
    widths = [max(len(line[k]) for line in lines) for k in range(len(head))]
    right = [bool(rows) and all(_is_number(row[k]) for row in rows) for k in range(len(head))]
    return "\n".join(
        "  ".join(
            cell.rjust(width) if flush else cell.ljust(width)
            for cell, width, flush in zip(line, widths, right, strict=True)
        ).rstrip()
        for line in lines
    )


def _is_number(text: str) -> bool:
    return text.split(" ")[0].replace(".", "", 1).replace("-", "", 1).isdigit()


def span(first: int, last: int, rate: float) -> tuple[str, str, str]:
    """Seconds of the first and the last frame, and between them."""
    return f"{first / rate:.2f}", f"{last / rate:.2f}", f"{(last - first) / rate:.2f}"


def measures_table(*healths: Health) -> str:
    """The measures of one take, or of a take before and after."""
    rows = measure_rows(*(health.measures for health in healths))
    return table(("", *(("before", "after") if len(healths) == 2 else ("",)), ""), rows).lstrip("\n")


def kinds_table(before: Health, outcome: Sequence[Finding] = ()) -> str:
    """How many findings of each kind, where, and how bad the worst is; with an outcome, what was repaired."""
    rows = [
        (
            row.kind,
            str(row.count),
            *([str(row.repaired), str(row.left)] if outcome else []),
            str(row.joints),
            f"{row.worst.amount:.1f} {row.worst.unit}" if row.worst.unit else "",
            row.worst.joint or "whole body",
            f"{row.worst.start}-{row.worst.stop - 1}",
        )
        for row in count_by_kind(before.findings, outcome)
    ]
    counts = ("findings", "repaired", "left") if outcome else ("findings",)
    return table(("kind", *counts, "joints", "the worst", "at", "frames"), rows) if rows else ""


def health_text(name: str, motion: Motion, health: Health) -> str:
    """A take's measures and findings; of many findings of a kind, the worst."""
    head = (
        f"{name}: {len(motion)} frames at {motion.rate:g} per second, {motion.duration_s:.1f} s, "
        f"{len(motion.skeleton)} joints"
    )
    parts = [head, measures_table(health), *([kinds_table(health)] if health.findings else [])]
    kinds = sorted({finding.kind for finding in health.findings})
    for kind in kinds:
        parts.append(_findings_text([one for one in health.findings if one.kind == kind], motion.rate))
    return "\n\n".join(parts) if kinds else "\n\n".join([*parts, "nothing was found"])


def _findings_text(findings: Sequence[Finding], rate: float) -> str:
    worst = sorted(findings, key=lambda one: -abs(one.amount))[:_MAX_LISTED_FINDINGS]
    rows = [
        (f"{one.start / rate:.2f} s", f"{one.start}-{one.stop - 1}", one.message)
        for one in sorted(worst, key=lambda one: one.start)
    ]
    more = f", the worst {_MAX_LISTED_FINDINGS} are" if len(findings) > len(worst) else ""
    lines = table(("at", "frames", ""), rows).splitlines()
    return "\n".join([f"{findings[0].kind}: {len(findings)}{more}", *(f"  {line}" for line in lines)])


def cuts_table(cuts: Sequence[Cut], rate: float) -> str:
    """Suggested clips."""
    head = ("name", "kind", "from s", "to s", "seconds", "", "sure", "why")
    rows = [
        (
            cut.name,
            cut.kind,
            *span(cut.start, cut.stop - 1, rate),
            "loop" if cut.loop else "",
            f"{cut.sure:.2f}",
            cut.why,
        )
        for cut in cuts
    ]
    return table(head, rows) if rows else "no clip can be suggested"


def cuts_toml(name: str, rate: float, cuts: Sequence[Cut]) -> str:
    """Suggested clips as a recipe."""
    parts = [f"# suggested clips of {json.dumps(name)}; times are seconds of the take"]
    idle = next((cut.name for cut in cuts if cut.kind == "idle" and cut.loop), None)
    if idle:
        parts.append(
            f"neutral = {json.dumps(idle)}  # what happens once can start and end in its first pose:\n"
            "# blend_frames = 6"
        )
    for cut in cuts:
        spec = ClipSpec.from_cut(cut)
        # The ends of a gait's parts are exact: frames say them as they are.
        first, last = (
            f'"{frame}f"' if cut.exact else f"{frame / rate:.3f}" for frame in (cut.start, cut.stop - 1)
        )
        parts.append(
            f"[[clip]]  # {cut.why}\n"
            f"name = {json.dumps(cut.name)}\n"
            f"kind = {json.dumps(cut.kind)}\n"
            f"from = {first}\n"
            f"to = {last}\n"
            f"loop = {json.dumps(cut.loop)}\n"
            + ("search = false\n" if cut.exact else "")
            + "".join(f"{key} = {json.dumps(name)}\n" for key, name in spec.loops.items())
            + f"root_motion = {json.dumps(spec.root_motion)}"
        )
    return "\n\n".join(parts)


def idle_facts(found: SuggestedIdle, rate: float) -> dict[str, object]:
    """An idle that can be made, its parts and fidgets in frames [start, stop) of the take."""
    facts, seconds = found.facts, found.duration_s
    return {
        "duration_s": round(seconds, 3),
        "repeats_after_s": round(facts.repeats * seconds, 3),
        "breath_s": None if facts.breaths is None else round(seconds / max(round(facts.breaths), 1), 3),
        "pace": round(facts.pace, 3),
        "calm": [list(one) for one in found.calm],
        "parts": [list(one) for one in found.parts],
        "fidgets": [list(one.frames(one.stop.frame(rate) + 1, rate)) for one in found.fidgets],
    }


def idle_text(found: SuggestedIdle, rate: float) -> str:
    """An idle that can be made, its parts in their order, and the fidgets."""
    said = idle_facts(found, rate)
    calm_s = sum(stop - start for start, stop in found.calm) / rate
    breath = f"breathes every {said['breath_s']} s" if said["breath_s"] else "no breath is seen in it"
    lines = [
        f"{said['duration_s']:g} s of {len(found.parts)} parts from {calm_s:.1f} s of calm in "
        f"{len(found.calm)} stretch{'' if len(found.calm) == 1 else 'es'}, "
        f"{describe_pace(found.facts.pace)}; {breath}; a moment of the take "
        f"plays again after {said['repeats_after_s']:g} s at the soonest",
        table(
            ("part", "from s", "to s", "seconds"),
            [(str(k), *span(start, stop, rate)) for k, (start, stop) in enumerate(found.parts, 1)],
        ),
    ]
    if found.fidgets:
        rows = [
            (one.name, one.kind, *span(one.start.frame(rate), one.stop.frame(rate), rate))
            for one in found.fidgets
        ]
        lines.append(table(("fidget", "kind", "from s", "to s", "seconds"), rows))
    else:
        lines.append("no fidget: no small movement begins and ends in this pose")
    return "\n\n".join(lines)


def idle_toml(found: SuggestedIdle) -> str:
    """The clips of an idle and its fidgets as a recipe."""
    return recipe_toml(Recipe(clips=(found.idle, *found.fidgets))).rstrip()


def loops_table(loops: Sequence[LoopCandidate], rate: float) -> str:
    """Loop candidates, as they are ranked."""
    rows = [
        (
            str(number),
            *span(one.start, one.end, rate),
            f"{one.gap_cm:.2f}",
            f"{one.gap_deg:.2f}",
            f"{one.gap_cm_s:.1f}",
            one.quality,
        )
        for number, one in enumerate(loops, 1)
    ]
    notes = sorted({one.note for one in loops if one.note})
    head = ("", "from s", "to s", "seconds", "gap cm", "gap deg", "gap cm/s", "seam")
    return (
        "\n".join([table(head, rows), *notes])
        if rows
        else "nothing here repeats itself; try a longer stretch"
    )


def clips_table(clips: Sequence[Facts]) -> str:
    """Written clips, from what clips.json says of them; those on a character with how they stand."""
    fitted = any(clip["fit_quality"] for clip in clips)
    rows = [
        (
            clip["name"],
            clip["kind"],
            f"{clip['duration_s']:.2f}",
            f"{clip['rate']:g}",
            f"{clip['seam']['gap_cm']:.2f} cm, {clip['seam']['quality']}" if clip["seam"] else "",
            clip["root_motion"]["mode"],
            f"{clip['root_motion']['distance_m']:.2f}",
            str(round(clip["root_motion"]["turn_deg"])),
            str(len(clip["events"])),
            *([fit_column(clip)] if fitted else []),
        )
        for clip in clips
    ]
    head = ("clip", "kind", "seconds", "fps", "seam of the loop", "root motion", "metres", "turn", "events")
    return table((*head, "fit: slide, sole") if fitted else head, rows)


def verdict_text(
    folder: str, wrong: Sequence[str], verdicts: Sequence[Verdict], notes: Sequence[str] = ()
) -> str:
    """What was found of a set and its clips, and what else lies in its folder."""
    rows = [
        (
            one.name,
            f"{one.seconds:.3f}",
            _millimetres(one.seam_mm),
            _millimetres(one.root_motion_mm),
            _millimetres(one.error_mm),
            "; ".join(one.problems) or "ok",
        )
        for one in verdicts
    ]
    head = ("clip", "seconds", "seam mm", "root motion mm", "error mm", "")
    bad = len(wrong) + sum(bool(one.problems) for one in verdicts)
    tail = f"{folder}: {f'{bad} problems' if bad else f'{len(verdicts)} clips, all ok'}"
    return "\n\n".join(
        [
            *([table(head, rows)] if rows else []),
            *(["\n".join(wrong)] if wrong else []),
            *(["\n".join(notes)] if notes else []),
            tail,
        ]
    )


def _millimetres(value: float | None) -> str:
    return "" if value is None else f"{value:.3f}"


def any_table(rows: Sequence[Mapping[str, object]]) -> str:
    """Rows of equal keys, as a table of what is short enough for one."""
    heads = [key for key, value in rows[0].items() if isinstance(value, str | int | float)] if rows else []
    return table(heads, [[_cell(row.get(key, "")) for key in heads] for row in rows])


def _cell(value: object) -> str:
    if isinstance(value, bool):
        return "yes" if value else ""
    return f"{value:.2f}" if isinstance(value, float) else str(value)
