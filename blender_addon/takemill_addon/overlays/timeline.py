"""What lies in time, in the Timeline and the Dope Sheet: findings, cuts, planted feet, events and the seam.

Each thing is a `Bar` in a lane above the lower edge of the editor. Bars are made anew only when what they
show changes; panning and zooming only move them.
"""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, replace

from ..bridge.clips.seams import seam_of
from ..bridge.scene.pose_markers import shows_finding
from ..bridge.takes.characters import cuts_holder
from ..translations import say
from .colours import colour, finding_colour, text_colour
from .facts import facts_of
from .strokes import Colour
from .view import View

CUTS, LEFT, RIGHT, EVENTS = "cuts", "left foot", "right foot", "events"
"""Lanes beside those of the kinds of findings."""
FINDINGS = "findings"
"""The lane of all kinds, where there is no room for one each."""
_KEPT_FIRST = (CUTS, FINDINGS, EVENTS, LEFT, RIGHT)
"""Which lanes are left where there is no room for all: cuts alone can be worked on here."""


@dataclass(frozen=True)
class Bar:
    """One thing in time.

    Attributes:
        lane: its lane.
        start, stop: scene frames, half-open; the same for a moment.
        colour: its colour.
        what, index: a row of the Action's lists ("finding", "cut"), or "frame" for what is only gone to.
        text: what stands in it, where there is room.
    """

    lane: str
    start: float
    stop: float
    colour: Colour
    what: str = "frame"
    index: int = -1
    text: str = ""


def key(view: View) -> Hashable:
    """All that bars depend on beside armature, Action, their edits and the settings."""
    known, settings = view.action.takemill, view.settings
    switches = tuple(getattr(settings, f"show_time_{name}") for name in MAKERS)
    listed = cuts_holder(view.action).takemill
    cuts = tuple((one.start, one.end, one.name, one.use) for one in listed.cuts), listed.cut_index
    facts = facts_of(view) if settings.show_time_contacts else None
    events = tuple((one.frame, one.name) for one in view.action.pose_markers)
    return switches, cuts, known.finding_index, facts and facts.number, events


def bars(view: View) -> tuple[Bar, ...]:
    """All that is shown, lane by lane from below."""
    on = [make for name, make in MAKERS.items() if getattr(view.settings, f"show_time_{name}")]
    return tuple(bar for make in on for bar in make(view))


def fitting(shown: Sequence[Bar], room: int) -> tuple[Bar, ...]:
    """The bars of at most so many lanes: findings share one where each kind has none, then others go."""
    if len(lanes(shown)) <= room:
        return tuple(shown)
    shown = [replace(bar, lane=FINDINGS) if bar.what == "finding" else bar for bar in shown]
    shown.sort(
        key=lambda bar: (1, bar.start - bar.stop) if bar.lane == FINDINGS else (0, 0)
    )  # short ones last
    left = sorted(lanes(shown), key=_KEPT_FIRST.index)[: max(room, 1)]
    return tuple(bar for bar in shown if bar.lane in left)


def lanes(shown: Iterable[Bar]) -> list[str]:
    """The lanes of bars from below, each once."""
    return list(dict.fromkeys(bar.lane for bar in shown))


def _cuts(view: View) -> Iterator[Bar]:
    known, theme = cuts_holder(view.action).takemill, view.context.preferences.themes[0].view_3d
    if view.action.takemill.record and not view.action.takemill.cuts:
        return  # a clip has frames of its own
    for index, cut in enumerate(known.cuts):
        chosen = index == known.cut_index
        own = theme.object_active if chosen else theme.object_selected
        opaque = 0.9 if cut.use else 0.35
        yield Bar(CUTS, cut.start, cut.end + 1, (*own, opaque), "cut", index, cut.name)


def _contacts(view: View) -> Iterator[Bar]:
    facts = facts_of(view)
    for side, lane in (("left", LEFT), ("right", RIGHT)):
        for plant in facts.plants if facts else ():
            if plant.foot.startswith(side):
                start, stop = plant.start + facts.start, plant.stop + facts.start
                yield Bar(lane, start, stop, colour(view.settings, side, 0.9))


def _events(view: View) -> Iterator[Bar]:
    """Pose markers that show no finding, and the frames that a seam joins."""
    for marker in view.action.pose_markers:
        if not shows_finding(marker):
            yield Bar(EVENTS, marker.frame, marker.frame, text_colour(view.context), text=marker.name)
    for frame in seam_of(view.action) or ():
        yield Bar(EVENTS, frame, frame, colour(view.settings, "spike"), text=say("seam"))


def _findings(view: View) -> Iterator[Bar]:
    known = view.action.takemill.findings
    rows = sorted(range(len(known)), key=lambda index: (known[index].kind, known[index].start))
    for index in rows:
        one = known[index]
        opaque = 1.0 if index == view.action.takemill.finding_index else 0.75
        own = finding_colour(view.settings, one.kind, one.repaired)
        yield Bar(one.kind, one.start, one.stop, (*own[:3], opaque), "finding", index)


MAKERS = {"cuts": _cuts, "contacts": _contacts, "events": _events, "findings": _findings}
