"""One page that shows what a set holds: self-contained, no network, light or dark, any width, by keyboard."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from ..base.plain import html_text
from ..pages.html_parts import asset, code, definitions, table
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.prepare_take import PreparedTake
from .clip_facts import UNKNOWN, Facts
from .fit_quality import fit_column
from .report_chain import render_chains
from .report_clip import clip_card
from .report_figures import Companion, beside, figures
from .report_fit import describe_lacks
from .report_pairs import render_pairs
from .report_take import take_section

# The page may show what it holds and ask nobody for more.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'"

_PLAIN = " Meshes have the base colours of their materials, without textures."


def render_report(
    facts: Facts,
    takes: Sequence[PreparedTake],
    clips: Sequence[FinishedClip],
    mesh: Mapping[str, Any] | None = None,
    companions: Sequence[Companion] = (),
    character: str = "",
) -> str:
    """The page of a set, as HTML.

    Args:
        facts: what clips.json says of the set, with its clips.
        takes: what the clips come from; may be empty.
        clips: in the order of `facts["clips"]`.
        mesh: what is drawn of the character, as `shown_mesh` gives it; None for a stick figure.
        companions: other bodies that play the same clips, to be seen beside it.
        character: what it is called there.
    """
    name = html_text(facts["name"])
    style, drawn, script = (asset(name) for name in ("page.css", "report_mesh.js", "report.js"))
    plain = _PLAIN if mesh and mesh["textured"] else ""
    others = beside(companions, clips)
    shown = figures(clips, mesh, name=character) | {"beside": others}
    data = json.dumps(shown, separators=(",", ":")).replace("<", "\\u003c")
    cards = "".join(
        clip_card(k, clip, said, mesh is not None, _cast(str(k), others, character))
        for k, (clip, said) in enumerate(zip(clips, facts["clips"], strict=True))
    )
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<title>{name}: clip set</title>
<style>
{style}</style></head><body>
<header><h1>{name}</h1>{_summary(facts, clips)}</header>
<main><h2>Clips</h2>{_overview(facts)}
<p><button type="button" id="play-all" hidden>Play all</button></p>
<p class="soft">Drag a figure to turn it; or step to it with the tab key: arrow keys turn and tilt it, the
space bar plays, comma and full stop go back and on by a frame.{plain}</p>
<noscript><p class="soft">The stick figures need scripts.</p></noscript>
{cards}
{render_chains(facts, mesh is not None)}
{render_pairs(facts)}
{_takes(takes)}
{_settings(facts)}</main>
<footer>{_care(facts)}</footer>
<script type="application/json" id="figures">{data}</script>
<script>
{drawn}</script>
<script>
{script}</script></body></html>
"""


def _cast(number: str, others: Sequence[Mapping[str, Any]], character: str) -> tuple[str, ...]:
    """The names of all bodies that a clip is seen on side by side; none where there is one alone."""
    names = [str(one["name"]) for one in others if number in one["clips"]]
    return (*names, character) if names else ()


def _summary(facts: Facts, clips: Sequence[FinishedClip]) -> str:
    seconds = sum(clip.motion.duration_s for clip in clips)
    loops = sum(clip.loop for clip in clips)
    takes = ", ".join(html_text(take["name"]) for take in facts["takes"])
    root = facts["skeleton"]["root"]
    return (
        f"<p>{len(clips)} clips, {loops} of them loops, {seconds:.1f} s in all"
        f"{f', from {takes}' if takes else ''}. {facts['skeleton']['joints']} joints, "
        f"{f'root motion on the joint {code(root)}' if root else 'no root joint'}.</p>"
        f"{describe_lacks(facts['character'])}"
    )


def _overview(facts: Facts) -> str:
    fitted = any(clip["fit_quality"] for clip in facts["clips"])
    heads: tuple[str, ...] = (
        "clip",
        "kind",
        *(["fit: slide, sole"] if fitted else []),
        ">seconds",
        ">fps",
        "seam",
        "root motion",
        ">metres",
        ">turn °",
        ">m/s",
        ">events",
        ">kB",
        ">mm off",
    )
    rows = []
    for k, clip in enumerate(facts["clips"]):
        root_motion = clip["root_motion"]
        rows.append(
            (
                f'<a href="#clip-{k}">{html_text(clip["name"]).replace("_", "_<wbr>")}</a>',
                html_text(clip["kind"]),
                *([fit_column(clip)] if fitted else []),
                f"{clip['duration_s']:.2f}",
                f"{clip['rate']:g}",
                _seam(clip),
                root_motion["mode"],
                f"{root_motion['distance_m']:.2f}",
                str(round(root_motion["turn_deg"])),
                f"{root_motion['speed_m_s']:.2f}",
                str(len(clip["events"])),
                f"{clip['keys']['bytes'] / 1024:.0f}",
                f"{clip['keys']['max_error_mm']:.2f}",
            )
        )
    return table("All clips", heads, rows, named=True)


def _seam(clip: Facts) -> str:
    seam = clip["seam"]
    if seam:
        return f"{seam['gap_cm']:.2f} cm, {html_text(seam['quality'])}"
    return "closed" if clip["loop"] else ""


def _takes(takes: Sequence[PreparedTake]) -> str:
    return '<h2 id="takes">Takes</h2>' + "".join(map(take_section, takes)) if takes else ""


def _settings(facts: Facts) -> str:
    parts = []
    for key, tables in facts["settings"].items():
        names = ", ".join(clip["name"] for clip in facts["clips"] if clip["settings"] == key)
        rows = (
            (f"[{html_text(name)}]", code(", ".join(f"{word} = {value}" for word, value in values.items())))
            for name, values in tables.items()
            if isinstance(values, dict)
        )
        parts.append(
            f"<details><summary>Settings of {html_text(names)}</summary>{definitions(rows)}</details>"
        )
    unknown = ", ".join(clip["name"] for clip in facts["clips"] if clip["settings"] == UNKNOWN)
    note = f'<p class="soft">It is not known with which settings {html_text(unknown)} came about.</p>'
    body = ((html_text(part), html_text(joint)) for part, joint in facts["skeleton"]["body"].items())
    return (
        f'<h2 id="made">How it was made</h2>{"".join(parts)}{note if unknown else ""}'
        f"<details><summary>Body map</summary>{definitions(body)}</details>"
    )


def _care(facts: Facts) -> str:
    return (
        f"<p>Written by {facts['tool']['name']} {facts['tool']['version']}; skeleton "
        f"{code(facts['skeleton']['sha256'][:16])}. The health of a take is about its data. "
        "It is no medical assessment of the performer.</p>"
    )
