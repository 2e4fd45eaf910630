"""Clips that follow each other without a blend, played on: from rest into a gait's loop and back to rest."""

from __future__ import annotations

from ..base.plain import html_text
from ..pages.html_parts import table
from .clip_facts import Facts
from .report_clip import figure

_CYCLES = 2  # so often a loop is played between two others


def find_chains(facts: Facts) -> tuple[tuple[str, tuple[int, ...]], ...]:
    """Each loop that others meet, and the numbers of the clips that are played, in order."""
    number = {clip["name"]: k for k, clip in enumerate(facts["clips"])}
    loops = {clip["name"] for clip in facts["clips"] if clip["loop"]}
    joins = [(one["from"], one["to"]) for one in facts["joins"]]
    chains = []
    for loop in facts["clips"]:
        name = loop["name"]
        into = [here for here, there in joins if there == name and here not in loops]
        out = [there for here, there in joins if here == name and there not in loops]
        if not loop["loop"] or not any(
            one["phase"] is not None for one in facts["joins"] if name == one["to"]
        ):
            continue
        turns = [one for one in into if one in out]
        starts = [one for one in into if one not in turns][:1]
        stops = [one for one in out if one not in turns][:1]
        rest_before = [here for here, there in joins if starts and there == starts[0] and here in loops][:1]
        rest_after = [there for here, there in joins if stops and here == stops[0] and there in loops][:1]
        chain = [*rest_before, *starts, *[name] * _CYCLES]
        for turn in turns:
            chain += [turn, *[name] * _CYCLES]
        chain += [*stops, *rest_after]
        chains.append((name, tuple(number[one] for one in chain)))
    return tuple(chains)


def render_chains(facts: Facts, meshed: bool = False) -> str:
    """The chains of a set, each with a figure that plays it, and how near the clips meet; "" without any."""
    chains = find_chains(facts)
    if not facts["joins"]:
        return ""
    names = [clip["name"] for clip in facts["clips"]]
    parts = []
    for k, (loop, chain) in enumerate(chains):
        said = ", ".join(html_text(names[one]) for one in chain)
        parts.append(
            f'<article class="clip" id="played-{k}" aria-labelledby="name-c{k}"><div class="top">'
            f'<h3 id="name-c{k}">Played on: {html_text(loop)}</h3></div>'
            f"{figure(f'c{k}', f'chain {k + 1}', 'data-chain', ','.join(map(str, chain)), meshed)}"
            f'<p class="soft">{said}: each goes on where and as the one before ends.</p></article>'
        )
    heads = ("from", "to", ">cm", ">°", ">cm/s", "foot that comes down", ">phase")
    rows = [
        (
            html_text(one["from"]),
            html_text(one["to"]),
            f"{one['gap_cm']:.2f}",
            f"{one['gap_deg']:.2f}",
            f"{one['gap_cm_s']:.0f}",
            html_text(one["foot"] or ""),
            "" if one["phase"] is None else f"{one['phase']:.2f}",
        )
        for one in facts["joins"]
    ]
    return (
        '<h2 id="joins">Which clip follows which without a blend</h2>'
        '<p class="soft">An engine can play the second from where the first ends: '
        "there the pose is the same, place and heading go on with the root motion. "
        "Below, how far the joints are from each other there, place and heading aside, and their speeds."
        f"</p>{''.join(parts)}{table('Clips that meet', heads, rows, named=True)}"
    )
