"""The floor that the feet of the take stand on, under the body."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from ..translations import say
from .colours import faint_colour, text_colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .shapes import grid, square
from .strokes import Label, faces, lines
from .take_facts import Facts
from .view import View

_HALF_M, _STEP_M, _TREAD_M = 1.5, 0.25, 0.18  # of the grid, of its squares, and half of a tread
_LINE_PX, _PLANE, _EDGES = 1.0, 0.06, 0.3  # of its lines; how opaque plane and lines are (chosen by eye)
_MIN_OFF_M = 0.0005  # from height 0: less is not said


def _key(view: View) -> Hashable:
    facts = facts_of(view)
    return facts and (facts.number, *_cell(facts, view.frame))


def _cell(facts: Facts, frame: float) -> tuple[int, int]:
    """Which square of the floor the body is over."""
    x, y, _ = facts.root.position[facts.index(frame)].tolist()
    return round(x / _STEP_M), round(y / _STEP_M)


def _drawing(view: View) -> Drawing:
    facts = facts_of(view)
    if facts is None or not facts.contacts.feet:
        return Drawing()
    plane, edges = (faint_colour(view.context, share) for share in (_PLANE, _EDGES))
    x, y = _cell(facts, view.frame)
    centre = np.array([x * _STEP_M, y * _STEP_M, facts.contacts.floor_m])
    strokes = [
        faces(square(centre, _HALF_M), plane, "TAKE"),
        lines(grid(centre, _HALF_M, _STEP_M), edges, _LINE_PX, "TAKE"),
    ]
    if facts.contacts.rise_m is not None:
        treads = [
            square([*plant.place[:2], plant.floor_m], _TREAD_M)
            for plant in facts.plants
            if np.abs(plant.place[:2] - centre[:2]).max() < _HALF_M
        ]
        if treads:
            strokes.append(faces(np.concatenate(treads), edges, "TAKE"))
    off = facts.contacts.floor_m
    text = say("floor {:+.0f} mm", 1000 * off) if abs(off) >= _MIN_OFF_M else say("floor")
    corner = centre + np.array([_HALF_M, -_HALF_M, 0.0])
    label = Label(text, tuple(corner), text_colour(view.context), "TAKE")
    return Drawing(strokes, (label,), facts.from_take)


OVERLAY = Overlay("floor", "floor", _key, _drawing)
