"""The trails of both feet around the present frame: thick where planted, with arrows where they slide."""

from __future__ import annotations

from collections.abc import Hashable
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from takemill.base.checks import Index, Mask

from .colours import colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .shapes import arrow
from .strokes import Colour, Label, Stroke, lines
from .take_facts import Facts
from .view import Remembered, View

_TRAIL_PX, _PLANTED_PX, _SLIDE_PX = 1.5, 5.0, 3.0  # of lines, at a resolution scale of 1
_MIN_SLIDE_M = 0.01  # as the check has it: a foot that glides by less does not skate
_TIP_SHARE = 0.3  # of an arrow's length


class _Trails(NamedTuple):
    """The trails of a whole take of F frames: what is drawn around a frame is a part of them.

    Attributes:
        lines: of each foot (F - 1, 2, 3), from each frame to the next.
        planted: of each foot (F - 1,), whether it stands meanwhile.
        tints: of each foot.
        slides: an arrow for each plant that slides far enough.
        labels: how far each of those slides.
        ends: first frame (N,) of their plants, and the one after the last (N,).
    """

    lines: list[NDArray[np.float32]]
    planted: list[Mask]
    tints: list[Colour]
    slides: list[Stroke]
    labels: list[Label]
    ends: tuple[Index, Index]


_TRAILS = Remembered[_Trails]()


def _key(view: View) -> Hashable:
    facts = facts_of(view)
    return facts and (facts.number, facts.index(view.frame), view.settings.trail_s)


def _drawing(view: View) -> Drawing:
    facts = facts_of(view)
    if facts is None:
        return Drawing()
    trails = _TRAILS.get((facts.number, view.common), lambda: _trails(view, facts))
    now, reach = facts.index(view.frame), round(view.settings.trail_s * facts.motion.rate)
    first, last = max(now - reach, 0), min(now + reach, len(facts.motion) - 1)
    strokes: list[Stroke] = []
    for trail, planted, tint in zip(trails.lines, trails.planted, trails.tints, strict=True):
        around = trail[first:last]
        strokes.append(lines(around, tint, _TRAIL_PX, "TAKE"))
        strokes.append(lines(around[planted[first:last]], tint, _PLANTED_PX, "TAKE"))
    starts, stops = trails.ends
    slide = np.flatnonzero((starts <= last) & (stops > first)).tolist()
    strokes += [trails.slides[k] for k in slide]
    return Drawing(strokes, [trails.labels[k] for k in slide], facts.from_take)


def _trails(view: View, facts: Facts) -> _Trails:
    soles = facts.soles.astype(np.float32)
    out = _Trails([], [], [], [], [], facts.plant_ends)
    sliding = []
    for k, foot in enumerate(facts.contacts.feet):
        planted = np.zeros(max(len(soles) - 1, 0), bool)
        for number, plant in enumerate(facts.plants):
            if plant.foot == foot:
                planted[plant.start : plant.stop - 1] = True
                if np.linalg.norm(plant.slide) >= _MIN_SLIDE_M:
                    sliding.append(number)
        out.lines.append(np.stack([soles[:-1, k], soles[1:, k]], axis=1))
        out.planted.append(planted)
        out.tints.append(colour(view.settings, "left" if foot.startswith("left") else "right"))
    tint = colour(view.settings, "skating")
    for plant in (facts.plants[number] for number in sliding):
        tip = plant.place + np.append(plant.slide, 0.0)
        out.slides.append(arrow(plant.place, tip, tint, _SLIDE_PX, _TIP_SHARE, "TAKE"))
        text = f"{100 * float(np.linalg.norm(plant.slide)):.1f} cm"
        out.labels.append(Label(text, tuple(tip), tint, "TAKE"))
    starts, stops = facts.plant_ends
    return out._replace(ends=(starts[sliding], stops[sliding]))


OVERLAY = Overlay("feet", "feet", _key, _drawing)
