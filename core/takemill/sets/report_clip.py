"""One clip in the report: what it is, its figure, its top view, its feet over time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.checks import Array
from ..base.plain import html_text
from ..clip.measure import Seam, measure_seam
from ..idle.idle import describe_pace
from ..pages import svg
from ..pages.html_parts import definitions
from ..pipeline.finish_clip import FinishedClip
from .clip_facts import Facts
from .idle_facts import MAX_JOIN_SHARE
from .report_face import face_curves
from .report_figures import foot_paths
from .report_fit import fit_rows
from .report_seam import seam_close_up

_SIDES = (("leftFoot", "left foot", "l"), ("rightFoot", "right foot", "r"))
_ROOT_MOTION = {
    "keep": "stays on the body",
    "root": "on the root joint",
    "in_place": "in place; the path it had is below",
}


def clip_card(
    number: int, clip: FinishedClip, facts: Facts, meshed: bool = False, beside: Sequence[str] = ()
) -> str:
    """The card of a clip; its figure is `meshed` or of sticks, and stands beside others, named so."""
    name = html_text(clip.name)
    loop = '<span class="tag">loop</span>' if clip.loop else '<span class="tag">one-shot</span>'
    shown = figure(number, name, "data-clip", str(number), meshed)
    return (
        f'<article class="clip" id="clip-{number}" aria-labelledby="name-{number}">'
        f'<div class="top"><h3 id="name-{number}">{name}</h3>'
        f'<span class="tag">{html_text(clip.kind)}</span>{loop}</div>'
        f'<div class="halves"><div>{shown}<h4>Feet and events</h4>{_feet(clip)}'
        f"{_events(facts)}{face_curves(clip)}</div>"
        f"<div>{_facts(clip, facts)}<h4>Top view</h4>{_top_view(clip)}</div></div>"
        f"{_side_by_side(number, name, beside)}{seam_close_up(clip)}</article>"
    )


def _side_by_side(number: int, name: str, beside: Sequence[str]) -> str:
    """The clip on several bodies at once: they play together, and below the same moments of all."""
    if not beside:
        return ""
    names = html_text(", ".join(beside))
    stills = (
        f'<details><summary>The same six moments of all</summary><canvas class="stills" role="img" '
        f'style="--rows: {len(beside)}" aria-label="Six moments of {name}: {names}, below each other.">'
        "</canvas></details>"
    )
    shown = figure(f"s{number}", f"{name}, side by side", "data-sheet", str(number), True, stills)
    return f'<div class="sheet"><h4 id="name-s{number}">Side by side: {names}</h4>{shown}</div>'


def figure(number: int | str, name: str, shows: str, what: str, meshed: bool = False, more: str = "") -> str:
    """A figure that is played; `shows` is the attribute that says which clips, and `what` its value.

    One that is `meshed` can be seen without its mesh; `more` stands below its controls.
    """
    speeds = "".join(
        f'<option value="{value}"{" selected" if value == "1" else ""}>{label}</option>'
        for value, label in (("0.25", "¼ speed"), ("0.5", "½ speed"), ("1", "full speed"))
    )
    ticks = "".join(
        f'<label><input type="checkbox" data-does="{does}" aria-label="{label}: {name}" checked>'
        f"{label}</label>"
        for does, label in (
            ("again", "loop"),
            *([("ghosts", "onion skins")] if shows != "data-sheet" else []),
            *([("mesh", "mesh")] if meshed else []),
        )
    )
    return (
        f'<figure {shows}="{what}"><canvas tabindex="0" role="img" '
        f'aria-label="{name}, as a moving figure. Arrow keys turn and tilt the view, the space bar plays, '
        'comma and full stop go back and on by a frame."></canvas>'
        f'<div class="controls"><button type="button" id="play-{number}" '
        f'aria-labelledby="play-{number} name-{number}">Play</button>'
        f'<input type="range" min="0" value="0" aria-label="Time in {name}"><output>0.00 s</output></div>'
        f'<div class="controls"><select aria-label="Speed of {name}">{speeds}</select>{ticks}</div>'
        f"{more}</figure>"
    )


def _facts(clip: FinishedClip, facts: Facts) -> str:
    root_motion, source = facts["root_motion"], facts["source"]
    rate = f"{facts['rate']:g}"
    rows = [
        ("length", f"{facts['duration_s']:.2f} s, {facts['frames']} frames at {rate} per second"),
        ("from", f"{html_text(source['take'])}, frames {source['frames'][0]} to {source['frames'][1] - 1}"),
        *([("made of", _describe_variant(facts["variant"]))] if facts["variant"] else []),
        (
            "root motion",
            _ROOT_MOTION[root_motion["mode"]] if _is_simple(root_motion) else _describe_split(root_motion),
        ),
        ("each cycle" if clip.loop else "in all", _describe_path(root_motion)),
    ]
    asked = facts["asked"] or {}
    rows += [
        (word, f"{html_text(asked[key])}, in its first pose")
        for key, word in (("follows", "follows"), ("leads_to", "leads to"))
        if key in asked
    ]
    if facts["blend_frames"]:
        which = "each" if not {"follows", "leads_to"} & {*asked} else "the other"
        rows.append(("ends", f"{which} goes over into the neutral pose in {facts['blend_frames']} frames"))
    if clip.loop:
        rows += _seam_rows(clip)
    rows += fit_rows(facts)
    if facts["own_joints"]:
        turns = (f"{html_text(name)} {one['turn_deg']:.0f}°" for name, one in facts["own_joints"].items())
        rows.append(("of the character's own", ", ".join(turns)))
    if facts["idle"]:
        rows.append(("idle", _describe_idle(facts["idle"])))
    keys = facts["keys"]
    size = f"{keys['count']} keys, {keys['bytes'] / 1024:.0f} kB"
    rows.append(("in the file", f"{size}; played, at most {keys['max_error_mm']:.2f} mm off"))
    return definitions(rows)


def _describe_idle(idle: Facts) -> str:
    breath = f"breathes every {idle['breath_s']:.1f} s" if idle["breath_s"] else "no breath is seen in it"
    word = "bad" if max(idle["join_acceleration"], idle["join_jerk"]) > MAX_JOIN_SHARE else "good"
    joins = f"{idle['join_acceleration']:.2f} times what it is elsewhere</span> (95 % of the time)"
    return (
        f"{idle['parts']} parts, {describe_pace(idle['pace'])}; a moment of the take plays again "
        f"after {idle['repeats_after_s']:.1f} s at "
        f'the soonest; {breath}; at its joins <span class="{word}">acceleration is up to {joins}, its change '
        f"{idle['join_jerk']:.2f} times"
    )


def _describe_variant(variant: Facts) -> str:
    words = ["mirrored"] if variant["mirror"] else []
    if variant["speed"] != 1:
        words.append(f"{variant['speed']:g} times as fast")
    if variant["additive_to"]:
        words.append(f"minus the {variant['against']} of {html_text(variant['additive_to'])}")
    return ", ".join([html_text(variant["of"]), *words])


def _is_simple(root_motion: Facts) -> bool:
    """Whether path and turn go together, and the height stays."""
    return bool(root_motion["planar"] == root_motion["turn"] and root_motion["height"] == "keep")


def _describe_split(root_motion: Facts) -> str:
    words = {"keep": "on the body", "root": "on the root joint", "remove": "removed"}
    parts = (("path", "planar"), ("turn", "turn"), ("height", "height"))
    return ", ".join(f"{label} {words[root_motion[part]]}" for label, part in parts)


def _describe_path(root_motion: Facts) -> str:
    left, _, ahead = root_motion["offset_m"]
    parts = [
        f"{abs(value):.2f} m {words[value < 0]}"
        for value, words in ((ahead, ("ahead", "back")), (left, ("to the left", "to the right")))
        if abs(value) >= 0.005
    ]
    turn = root_motion["turn_deg"]
    if abs(turn) >= 0.5:
        parts.append(f"turns {abs(turn):.0f}° to the {'left' if turn > 0 else 'right'}")
    return (", ".join(parts) or "in place") + f", {root_motion['speed_m_s']:.2f} m/s"


def _seam_rows(clip: FinishedClip) -> list[tuple[str, str]]:
    rows = []
    if clip.candidate:
        gap = clip.candidate
        gap_text = f"{gap.gap_cm:.2f} cm, {gap.gap_deg:.1f}°, {gap.gap_cm_s:.1f} cm/s"
        rows.append(("seam as captured", f"{gap_text}: {html_text(gap.quality)}"))
    if len(clip.motion) >= 5:
        rows.append(("seam now", _seam_now(measure_seam(clip.motion, clip.body), clip.motion.rate)))
    return rows


def _seam_now(seam: Seam, rate: float) -> str:
    word = "good" if seam.speed_jump <= 2 * seam.usual_speed_jump + 1e-6 else "bad"
    jump, usual = (100 * rate * value for value in (seam.speed_jump, seam.usual_speed_jump))
    change = f'<span class="{word}">speed changes by {jump:.1f} cm/s</span> from frame to frame there'
    return f"closed to {1000 * seam.pose_m:.3f} mm; {change}, by up to {usual:.1f} elsewhere"


def _top_view(clip: FinishedClip) -> str:
    feet = foot_paths(clip)
    prints: list[tuple[str, Array]] = []
    for k, foot in enumerate(clip.contacts.feet):
        for start, stop in clip.contacts.ranges(foot):
            prints.append((f"s{foot[0]}", feet[(start + stop) // 2, k, :, :2]))
    heading = clip.root_motion.heading[-1]
    drawing = svg.draw_top_view(
        clip.root_motion.position[:, :2], prints, np.array([np.sin(heading), -np.cos(heading)])
    )
    return (
        f'<figure class="path">{drawing}<figcaption>The root\'s path, ending at the dot; footprints '
        f'<span class="left">left</span> and <span class="right">right</span>. '
        f"The body looks up the page at first; the grid is {svg.grid_step(drawing)} m.</figcaption></figure>"
    )


def _feet(clip: FinishedClip) -> str:
    if not clip.contacts.feet:
        return '<p class="soft">No foot is mapped.</p>'
    last = max(len(clip.motion) - 1, 1)
    heights = 100 * foot_paths(clip)[..., 2].min(axis=-1)
    top = max(float(heights.max()), 5.0)
    lanes, series = [], []
    for part, label, letter in _SIDES:
        if part not in clip.contacts.feet:
            continue
        series.append((f"s{letter}", heights[:, clip.contacts.feet.index(part)]))
        ranges = [
            (f"f{letter}", start / last, min(stop / last, 1.0)) for start, stop in clip.contacts.ranges(part)
        ]
        lanes.append(f'<span class="name">{label}</span>{svg.draw_bars(ranges)}')
    if clip.events:
        moments = [event.frame / last for event in clip.events]
        lanes.append(f'<span class="name">events</span>{svg.draw_ticks(moments)}')
    scale = f'<span class="name">0 to {top:.0f} cm</span>{svg.draw_curves(series, top)}'
    times = f"<span>0 s</span><span>{clip.motion.duration_s:.2f} s</span>"
    return (
        f'<div class="plot timed"><span class="now"></span>{scale}{"".join(lanes)}'
        f'<span></span><span class="axis">{times}</span></div>'
        '<figcaption class="soft">Height of the sole, and below it when the foot is planted.</figcaption>'
    )


def _events(facts: Facts) -> str:
    """The events in a line for each foot (or whatever stands before the dot of their names)."""
    if not facts["events"]:
        return '<p class="soft">No events: both feet stay where they are.</p>'
    said: dict[str, list[str]] = {}
    for event in facts["events"]:
        where, _, what = event["name"].rpartition(".")
        moment = f"{html_text(what)} {event['time_s']:.2f} s ({100 * event['phase']:.0f}\u00a0%)"
        said.setdefault(where, []).append(moment)
    return definitions((html_text(where), ", ".join(moments)) for where, moments in said.items())
