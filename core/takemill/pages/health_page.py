"""One page about the health of takes before and after repair: self-contained, no network, light or dark."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from .. import __version__
from ..base.plain import html_text
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..health.check import Finding, Health
from ..health.table import count_by_kind, counts_text, measure_rows, outcome
from .health_plots import feet_figure, joint_figure, path_figure, worst_joints
from .html_parts import asset, table

_MAX_LISTED_FINDINGS = 400  # a longer list is not read (chosen by eye)
# The page may show what it holds and ask for no more.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'"
CAUTION = (
    "Joint ranges and findings are about data. They are no medical assessment of the performer; local rules "
    "and a licensed professional come first."
)


@dataclass(frozen=True)
class HealthOf:
    """A take, raw and repaired, and what was found.

    Attributes:
        name: of the take.
        raw, repaired: the take before and after repair: same frames and skeleton.
        body: which joint plays which part.
        before, after: their health.
        findings: what the repair found.
        would: whether the repair is only what would be made of it.
    """

    name: str
    raw: Motion
    body: BodyMap
    before: Health
    repaired: Motion
    after: Health
    findings: tuple[Finding, ...]
    would: bool = False


def render_health(takes: Sequence[HealthOf], title: str, about: str) -> str:
    """The page of some takes, as HTML that is also well-formed XML."""
    style = "".join(asset(name) for name in ("page.css", "health_page.css"))
    names = ", ".join(one.name for one in takes)
    return f"""<!DOCTYPE html>
<html lang="en"><head><meta charset="utf-8"/>
<meta name="viewport" content="width=device-width, initial-scale=1"/>
<meta http-equiv="Content-Security-Policy" content="{_POLICY}"/>
<title>{html_text(title)}: {html_text(names)}</title>
<style>
{style}</style></head><body>
<header><h1>{html_text(title)}: {html_text(names)}</h1><p class="soft">{html_text(about)}</p>
<p class="care">{CAUTION}</p></header>
<main>{"".join(map(_section, takes))}</main>
<footer><p>Written by takemill {html_text(__version__)}.</p></footer></body></html>
"""


def _section(take: HealthOf) -> str:
    raw = take.raw
    joints = "".join(joint_figure(take.raw, take.repaired, take.before, joint) for joint in _worst(take))
    caption = (
        f"{raw.duration_s:.1f} s, {_count_lines(len(raw), 'frame')} at {raw.rate:g} per second, "
        f"{_count_lines(len(raw.skeleton), 'joint')}; {counts_text(_outcome(take), take.would)}"
    )
    return (
        f'<article class="clip"><div class="top"><h2>{html_text(take.name)}</h2>'
        f'<span class="soft">{caption}</span>'
        f"</div>{_measures(take)}{_kinds(take)}{f'<h3>The worst joints</h3>{joints}' if joints else ''}"
        f"{feet_figure(take.raw, take.repaired, take.body)}{path_figure(take.raw, take.repaired, take.body)}"
        f"{_list(take)}</article>"
    )


def _outcome(take: HealthOf) -> tuple[Finding, ...]:
    return outcome(take.before.findings, take.after.findings, take.findings)


def _count_lines(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _worst(take: HealthOf) -> tuple[int, ...]:
    return worst_joints(take.raw, take.repaired, take.body, take.before)


def _measures(take: HealthOf) -> str:
    rows = measure_rows(take.before.measures, take.after.measures)
    title = "Health before and after"
    return f"<h3>{title}</h3>{table(title, ('', '>before', '>after', ''), rows, named=True)}"


def _kinds(take: HealthOf) -> str:
    rows = [
        (
            html_text(row.kind),
            str(row.count),
            str(row.repaired),
            str(row.left),
            str(row.joints or ""),
            f'<span class="wrap"><b>{_amount(row.worst)}</b> {html_text(row.worst.message)} '
            f'<span class="soft">({_frames(row.worst)})</span></span>',
        )
        for row in count_by_kind(take.before.findings, _outcome(take))
    ]
    if not rows:
        return '<p class="good">Nothing was found.</p>'
    repaired = "would be repaired" if take.would else "repaired"
    heads = ("kind", ">findings", f">{repaired}", ">left", ">joints", "the worst of them")
    return f"<h3>What was found</h3>{table('Findings by kind', heads, rows, named=True)}"


def _amount(one: Finding) -> str:
    """How bad a finding is; nothing where it has no size."""
    return f"{one.amount:.1f} {html_text(one.unit)}" if one.unit and one.amount else ""


def _frames(one: Finding) -> str:
    last = one.stop - 1
    return f"frame {last}" if one.start == last else f"frames {one.start} to {last}"


def _list(take: HealthOf) -> str:
    out = ""
    for word, health in (("before", take.before), ("after", take.after)):
        found = health.findings
        rows = [
            (
                html_text(one.kind),
                html_text(one.joint),
                f"{one.start / take.raw.rate:.2f}",
                f"{one.start} to {one.stop - 1}",
                _amount(one),
                f'<span class="wrap">{html_text(one.message)}</span>',
            )
            for one in found[:_MAX_LISTED_FINDINGS]
        ]
        more = len(found) - len(rows)
        rows += [("", "", "", "", "", f"and {more} more")] if more else []
        heads = ("kind", "joint", ">second", ">frames", ">amount", "")
        shown = table(f"Findings {word} repair", heads, rows)
        out += (
            f"<details><summary>All {len(found)} findings {word}</summary>{shown}</details>" if rows else ""
        )
    return out
