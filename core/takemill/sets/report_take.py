"""One take in the report: its health before and after, and the findings by joint."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from ..base.plain import html_text
from ..health.check import Finding
from ..health.table import counts_text, measure_rows, outcome
from ..pages import svg
from ..pages.html_parts import code, table
from ..pipeline.prepare_take import PreparedTake

_KINDS = ("spike", "frozen", "skating", "jitter")
_MAX_LISTED_FINDINGS = 300  # a longer list is not read (chosen by eye)


def take_section(take: PreparedTake) -> str:
    """The section of a take."""
    raw, found = take.raw, outcome(take.findings, take.health.findings, take.findings)
    return (
        f'<article class="clip"><div class="top"><h3>{html_text(take.name)}</h3>'
        f'<span class="soft">{raw.duration_s:.1f} s, {len(raw)} frames at {raw.rate:g} per second, '
        f"{len(raw.skeleton)} joints</span></div>"
        f'<p class="soft">{code(f"sha256 {take.digest}")}</p>'
        f"{_health(take)}{_by_joint(take, found)}{_list(take, found)}</article>"
    )


def _health(take: PreparedTake) -> str:
    rows = measure_rows(take.health.measures)
    title = "Health after the repair"
    return f"<h4>{title}</h4>{table(title, ('', '>measure', ''), rows, named=True)}"


def _by_joint(take: PreparedTake, found: Sequence[Finding]) -> str:
    """A line for each joint, in the skeleton's order, with its findings over the take's time."""
    frames = len(take.raw)
    lines = []
    for joint in (*take.raw.skeleton.names, ""):
        # What lasts all the take (jitter, the floor) says nothing about when.
        here = [one for one in found if one.joint == joint and one.stop - one.start < frames]
        if here:
            bars = [(f"k-{_kind(one)}", one.start / frames, one.stop / frames) for one in here]
            label = html_text(joint or "whole body")
            lines.append(f'<span class="name" title="{label}">{label}</span>{svg.draw_bars(bars, "row")}')
    if not lines:
        return ""
    swatches = {"spike": "--bad", "frozen": "--other", "skating": "--skating", "other": "--soft"}
    keys = "".join(f'<span class="key" style="--swatch: var({v})">{k}</span>' for k, v in swatches.items())
    return (
        f'<h4>Findings by joint, over the take</h4><div class="plot joints">{"".join(lines)}<span></span>'
        f'<span class="axis"><span>0 s</span><span>{take.raw.duration_s:.0f} s</span></span></div>'
        f'<figcaption class="soft">{keys}</figcaption>'
    )


def _kind(finding: Finding) -> str:
    return finding.kind if finding.kind in _KINDS else "other"


def _list(take: PreparedTake, found: Sequence[Finding]) -> str:
    if not found:
        return '<p class="good">Nothing was found.</p>'
    counts = Counter(one.kind for one in found)
    summary = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
    note = f"<p>{counts_text(found)}.</p>"
    heads = ("kind", "joint", ">frames", ">amount", "")
    shown = table(f"Findings of {take.name}", heads, _rows(found))
    return f"{note}<details><summary>All findings: {html_text(summary)}</summary>{shown}</details>"


def _rows(findings: Sequence[Finding]) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = [
        (
            html_text(one.kind),
            html_text(one.joint),
            f"{one.start} to {one.stop - 1}",
            f"{one.amount:.1f} {html_text(one.unit)}",
            f'<span class="wrap">{html_text(one.message)}</span>',
        )
        for one in findings[:_MAX_LISTED_FINDINGS]
    ]
    more = len(findings) - len(rows)
    return [*rows, ("", "", "", "", f"and {more} more")] if more else rows
