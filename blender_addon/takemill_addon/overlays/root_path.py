"""The root's path over the floor, with ticks where the body faces, and what root motion takes of it."""

from __future__ import annotations

from collections.abc import Hashable

import bpy
import numpy as np
from numpy.typing import NDArray

from takemill.base.errors import InputError
from takemill.clip.root_motion import RootMotion

from ..bridge.clips.clip_record import ClipRecord
from ..bridge.clips.seams import chosen_cut
from ..properties.clips import ROOT_MOTION
from ..translations import say
from .colours import colour, text_colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .shapes import arrow_lines, facing
from .strokes import Label, lines, path
from .take_facts import Facts
from .view import Remembered, View

_PATH_PX, _TAKEN_PX, _TICK_PX, _NOW_PX = 1.5, 4.0, 1.5, 3.0  # of lines, at a resolution scale of 1
_TICK_S, _TICK_M = 0.5, 0.12  # from tick to tick, and how long each is
_MAX_TICKS = 500  # of a whole take
_NOW_M, _TIP_SHARE = 0.45, 0.35  # the arrow of the present frame


def _key(view: View) -> Hashable:
    cut = chosen_cut(view.action)
    asked = cut and (cut.start, cut.end, cut.root_motion)
    facts = facts_of(view)
    return facts and (facts.number, asked)


def _drawing(view: View) -> Drawing:
    """The whole path, and thick what a clip takes of it."""
    facts = facts_of(view)
    if facts is None:
        return Drawing()
    green, track = colour(view.settings, "good"), facts.root.position + _level(facts)
    every = max(round(_TICK_S * facts.motion.rate), len(track) // _MAX_TICKS, 1)
    at, way = track[::every], facing(facts.root.heading[::every])
    ticks = np.stack([at, at + _TICK_M * way], axis=1)
    strokes = [
        path(track[facts.path], green, _PATH_PX, "TAKE"),
        lines(ticks, green, _TICK_PX, "TAKE"),
    ]
    labels = []
    mode, first, stop = _taken(view.action, facts)
    if mode and stop - first > 1:
        taken = RootMotion(facts.root.rate, facts.root.position[first:stop], facts.root.heading[first:stop])
        strokes.append(path(track[first:stop], green, _TAKEN_PX, "TAKE"))
        text = say("{}: {:.2f} m, turns {:.0f} degrees", say(mode), taken.distance_m, taken.turn_deg)
        labels.append(Label(text, tuple(track[stop - 1]), text_colour(view.context), "TAKE"))
    return Drawing(strokes, labels, facts.from_take)


def _taken(action: bpy.types.Action, facts: Facts) -> tuple[str, int, int]:
    """Where root motion goes, in the panel's words, and the frames [first, stop) that it is of."""
    words = {mode: word for mode, word, _ in ROOT_MOTION}
    if action.takemill.record:
        try:
            return words[ClipRecord.of_action(action).root_motion_mode], 0, len(facts.motion)
        except InputError:  # somebody has changed the record; the panels say so
            return "", 0, 0
    cut = chosen_cut(action)
    if cut is None:
        return "", 0, 0
    return words[cut.root_motion], facts.index(cut.start), facts.index(cut.end) + 1


def _level(facts: Facts) -> np.ndarray:
    """From the root's track, at height 0, up to the floor."""
    return np.array([0.0, 0.0, facts.contacts.floor_m])


_ALL_FRAMES = Remembered[tuple[NDArray[np.float32], NDArray[np.float32]]]()


def _key_now(view: View) -> Hashable:
    facts = facts_of(view)
    return facts and (facts.number, facts.index(view.frame))


def _drawing_now(view: View) -> Drawing:
    """Where the body faces at the present frame, and a line from the path up to the hips."""
    facts = facts_of(view)
    if facts is None:
        return Drawing()
    now, green = facts.index(view.frame), colour(view.settings, "good")
    arrows, uprights = _ALL_FRAMES.get(facts.number, lambda: _all_frames(facts))
    strokes = [
        lines(arrows[now], green, _NOW_PX, "TAKE"),
        lines(uprights[now], green, _PATH_PX, "TAKE"),
    ]
    return Drawing(strokes, (), facts.from_take)


def _all_frames(facts: Facts) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """The arrows (F, 3, 2, 3) and the lines up to the hips (F, 2, 3) of all frames at once."""
    at = facts.root.position + _level(facts)
    arrows = arrow_lines(at, at + _NOW_M * facing(facts.root.heading), _TIP_SHARE)
    return arrows.astype(np.float32), np.stack([at, facts.hips], axis=1).astype(np.float32)


OVERLAYS = (
    Overlay("root_path", "root_path", _key, _drawing),
    Overlay("root_now", "root_path", _key_now, _drawing_now),
)
