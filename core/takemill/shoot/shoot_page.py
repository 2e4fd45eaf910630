"""The page of a shoot: all takes with their health, all clips as small moving figures; no network."""

from __future__ import annotations

import base64
import json
from collections.abc import Mapping
from typing import Any
from urllib.parse import quote

import numpy as np

from ..base.checks import Array
from ..base.plain import html_text
from ..health.table import KINDS
from ..pages.html_parts import asset
from ..sets.clip_facts import Facts
from .shoot_facts import FIGURE

# The page may show what it holds and ask nobody for more.
_POLICY = "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline'"

_LIMBS = (
    ("hips", "chest"), ("chest", "head"), ("chest", "leftUpperArm"), ("leftUpperArm", "leftLowerArm"),
    ("leftLowerArm", "leftHand"), ("chest", "rightUpperArm"), ("rightUpperArm", "rightLowerArm"),
    ("rightLowerArm", "rightHand"), ("hips", "leftUpperLeg"), ("leftUpperLeg", "leftLowerLeg"),
    ("leftLowerLeg", "leftFoot"), ("hips", "rightUpperLeg"), ("rightUpperLeg", "rightLowerLeg"),
    ("rightLowerLeg", "rightFoot"),
)  # fmt: skip
_SHOWN = 12  # moments of a small figure: enough to tell a walk from a turn (chosen by eye)
_VIEW_DEG, _TILT = 35.0, 0.25  # seen from ahead and aside, a little from above (chosen by eye)
_MIDDLE_MM, _MM = 900.0, 10.0  # of a figure's height, and what one of the numbers stands for
_MAX = 127  # 8 bits with a sign


def render_shoot(index: Facts, points: Mapping[str, Any]) -> str:
    """The page, as HTML.

    Args:
        index: what index.json says.
        points: of each set's folder, by clip, where its figure's parts are (T, P, 3), mm.
    """
    style = "".join(asset(name) for name in ("page.css", "shoot_page.css"))
    name = html_text(index["name"])
    data = json.dumps(_data(index, points), separators=(",", ":")).replace("<", "\\u003c")
    return f"""<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<meta http-equiv="Content-Security-Policy" content="{_POLICY}">
<title>{name}: shoot</title>
<style>
{style}</style></head><body>
<header><h1>{name}</h1>{_summary(index)}</header>
<main>
<noscript><p>The lists of this page need scripts; index.json beside it holds the same.</p></noscript>
{_missing(index)}
<h2 id="takes">Takes</h2>
<p class="soft">Findings of the raw take, and those that are left after its repair. A heading sorts.</p>
<div class="wide" tabindex="0" role="region" aria-label="Takes"><table id="take-table"></table></div>
<p><button type="button" id="more-takes" hidden>Show more takes</button></p>
<h2 id="clips">Clips</h2>
<form id="filters" aria-label="Filters">
<label>Name <input type="search" id="by-name" autocomplete="off"></label>
<label>Kind <select id="by-kind"></select></label>
<label>Character <select id="by-character"></select></label>
<label>Finding of its take <select id="by-finding"></select></label>
<label>Since the build before <select id="by-change"></select></label>
<label>Order <select id="by-order"></select></label>
</form>
<p id="count" role="status"></p>
<ul id="cards"></ul>
<p><button type="button" id="more" hidden>Show more clips</button></p>
</main>
<footer><p>Written by {index["tool"]["name"]} {index["tool"]["version"]}. The health of a take is about its
data. It is no medical assessment of the performer.</p></footer>
<script type="application/json" id="shoot">{data}</script>
<script>
{asset("shoot_page.js")}</script></body></html>
"""


def _summary(index: Facts) -> str:
    clips = sum(len(one["clips"]) for one in index["sets"])
    seconds = sum(take.get("duration_s", 0.0) for take in index["takes"])
    who = ", ".join(html_text(one) for one in index["characters"])
    changes = index["changes"]
    text = f"{len(index['takes'])} takes, {seconds / 60:.1f} minutes; "
    text += f"{clips} clips in {len(index['sets'])} sets for {who}."
    if changes is None:
        return f"<p>{text}</p>"
    moved = [one["mm"] for one in changes.values() if "mm" in one]
    worst = f", by up to {max(moved):.1f} mm" if moved else ""
    gone = sum(one["what"] == "gone" for one in changes.values())
    new = sum(one["what"] == "new" for one in changes.values())
    return (
        f"<p>{text}</p><p>Since the build before: {len(moved)} clips move otherwise{worst}; {new} are new, "
        f"{gone} are gone.</p>"
    )


def _missing(index: Facts) -> str:
    rows = [f"<li>{html_text(one['what'])}: {html_text(one['why'])}</li>" for one in index["missing"]]
    rows += [f"<li>{html_text(one)}: left over, no take makes it</li>" for one in index["left_over"]]
    return f'<h2 id="missing">Missing</h2><ul class="bad">{"".join(rows)}</ul>' if rows else ""


def _data(index: Facts, points: Mapping[str, Any]) -> dict[str, Any]:
    """What the script shows: rows of plain values, so that thousands are read at once."""
    places = {take["name"]: k for k, take in enumerate(index["takes"])}
    changes = index["changes"] or {}
    return {
        "limbs": [[FIGURE.index(one), FIGURE.index(other)] for one, other in _LIMBS],
        "points": len(FIGURE),
        "findings": list(KINDS),
        "takes": [_take(take) for take in index["takes"]],
        "sets": [[one["folder"], one["character"], _report(one["folder"])] for one in index["sets"]],
        "clips": [
            _clip(
                k, number, clip, places, changes.get(f"{one['folder']}/{clip['name']}"), drawn[clip["name"]]
            )
            for k, one in enumerate(index["sets"])
            for drawn in [points[one["folder"]]]
            for number, clip in enumerate(one["clips"])
        ],
        "compared": index["changes"] is not None,
    }


def _report(folder: str) -> str:
    """The address of a set's report, from the page."""
    return f"{quote(folder)}/report.html"


def _take(take: Facts) -> list[Any]:
    found = take.get("findings", [])
    health = take.get("health", {"before": {}, "after": {}})
    return [
        take["name"],
        take.get("duration_s"),
        sum(one["repaired"] + one["left"] for one in found),
        sum(one["left"] for one in found),
        *(health[when].get(key) for key in ("jitter_deg", "skating_cm_s") for when in ("before", "after")),
        [[one["kind"], one["repaired"], one["left"], one["worst"]] for one in found],
    ]


def _clip(
    place: int, number: int, clip: Facts, takes: Mapping[str, int], change: Facts | None, points: Array
) -> list[Any]:
    seam = clip["seam"]
    changed = "" if change is None else f"{change['mm']:g} mm" if "mm" in change else change["what"]
    return [
        clip["name"], clip["kind"], place, number, takes.get(clip["take"], -1), clip["duration_s"],
        clip["speed_m_s"], seam["gap_cm"] if seam else None, seam["quality"] if seam else "", clip["bytes"],
        int(clip["loop"]), changed, change.get("mm", 0.0) if change else 0.0, _drawn(points),
    ]  # fmt: skip


def _drawn(points: Array) -> str:
    """Points (T, P, 3), mm, as a small figure shows them: (T, P, 2) bytes with a sign, as base64."""
    frames = np.round(np.linspace(0, len(points) - 1, min(_SHOWN, len(points)))).astype(np.intp)
    seen = points[frames].astype(np.float64)
    seen[..., :2] -= seen[:, :1, :2]
    turn = np.deg2rad(_VIEW_DEG)
    aside = np.cos(turn) * seen[..., 0] + np.sin(turn) * seen[..., 1]
    deep = np.cos(turn) * seen[..., 1] - np.sin(turn) * seen[..., 0]
    flat = np.stack([aside, _MIDDLE_MM - seen[..., 2] - _TILT * deep], axis=-1) / _MM
    return base64.b64encode(np.clip(np.round(flat), -_MAX, _MAX).astype(np.int8).tobytes()).decode()
