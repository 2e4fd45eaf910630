"""The two poses that a loop's seam joins, one moved onto the other, and how far each joint is off."""

from __future__ import annotations

from collections.abc import Hashable

import numpy as np

from takemill.clip.clouds import main_joints
from takemill.clip.measure import ends_at, gap_between, moved_onto

from ..bridge.clips.seams import seam_of
from ..translations import say
from .colours import colour, text_colour
from .draw import Drawing, Overlay
from .facts import facts_of
from .strokes import Label, lines
from .take_facts import Facts
from .view import View

_POSE_PX, _GAP_PX = 2.5, 2.0  # of lines, at a resolution scale of 1


def problem_of(view: View) -> str:
    """Why there is no seam to show; "" where there is one."""
    return "" if seam_of(view.action) else "Seam: choose a cut that is a loop, or play a clip that is one"


def _key(view: View) -> Hashable:
    facts = facts_of(view)
    return facts and (facts.number, seam_of(view.action))


def _drawing(view: View) -> Drawing:
    """The last pose where it is, the first one moved onto it, and lines between the same joints."""
    facts, seam = facts_of(view), seam_of(view.action)
    if facts is None or seam is None:
        return Drawing()
    first, last = (facts.index(frame) for frame in seam)
    joints = main_joints(facts.body)
    if last - first < 2 or not len(joints):
        return Drawing()
    start, end = ends_at(facts.motion, joints, (first, last), 1)
    names = [facts.motion.skeleton.names[int(joint)] for joint in joints]
    gap, moved = gap_between(end, start, names), moved_onto(end, start)
    before, after = colour(view.settings, "frozen"), colour(view.settings, "good")
    bones = _bones(facts, joints)
    strokes = [
        lines(end.positions[bones], before, _POSE_PX, "TAKE"),
        lines(moved[bones], after, _POSE_PX, "TAKE"),
        lines(np.stack([end.positions, moved], axis=1), colour(view.settings, "spike"), _GAP_PX, "TAKE"),
    ]
    widest = int(np.argmax(gap.away_cm))
    text = f"{names[widest]}: {gap.away_cm[widest]:.1f} cm"
    mean = say("seam: {:.1f} cm, {:.0f} cm/s", gap.cm, gap.cm_s)
    top = end.positions[end.positions[:, 2].argmax()]
    labels = (
        Label(text, tuple(moved[widest]), colour(view.settings, "spike"), "TAKE"),
        Label(mean, tuple(top), text_colour(view.context), "TAKE"),
    )
    return Drawing(strokes, labels, facts.from_take)


def _bones(facts: Facts, joints) -> np.ndarray:
    """Pairs (N, 2) among compared joints: each and the next one above it that is compared too."""
    place = {int(joint): k for k, joint in enumerate(joints)}
    pairs = []
    for joint, k in place.items():
        above = [one for one in facts.motion.skeleton.path_to(joint)[:-1] if one in place]
        if above:
            pairs.append((place[above[-1]], k))
    return np.array(pairs, np.intp).reshape(-1, 2)


OVERLAY = Overlay("seam", "seam", _key, _drawing)
