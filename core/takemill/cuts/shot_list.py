"""Names from a shot list: wanted clips, in the order in which they were performed."""

from __future__ import annotations

import re
from collections.abc import Sequence

import numpy as np

from .action_kinds import Kind
from .strikes import Strike

# Words that a shot list may use -> ours. From memory of shot lists and move lists; no source.
_MEANS = {
    "jab": "punch straight", "cross": "punch straight", "hook": "punch hook", "uppercut": "punch upper",
    "hit": "strike", "attack": "strike", "slash": "strike", "combination": "combo", "roundhouse": "kick",
    "stand": "idle", "rest": "idle", "breathe": "idle", "guard": "idle", "stance": "idle", "wait": "idle",
    "jog": "run", "stroll": "walk", "strafe": "walk", "sneak": "walk", "march": "walk", "sidestep": "step",
    "fwd": "forward", "ahead": "forward", "backward": "back", "backwards": "back", "bwd": "back",
    "l": "left", "r": "right", "pivot": "turn", "about": "turn 180", "spin": "turn",
    "evade": "dodge", "weave": "slip", "lean": "slip", "crouch": "duck",
    "leap": "jump", "hop": "jump", "backflip": "flip back", "somersault": "flip",
    "die": "fall", "death": "fall", "knockdown": "fall", "collapse": "fall", "lie": "lying",
    "getup": "up", "rise": "up", "stand_up": "up", "tumble": "roll",
    "wave": "gesture", "point": "gesture", "greet": "gesture", "salute": "gesture", "bow": "gesture",
}  # fmt: skip
_KIND_OF = {
    "punch": "strike", "kick": "strike", "combo": "strike", "walk": "locomotion", "run": "locomotion",
    "sprint": "locomotion", "crawl": "locomotion", "duck": "dodge", "slip": "dodge", "step": "dodge",
    "flip": "jump", "up": "get_up", "get_up": "get_up",
}  # fmt: skip
# Of two words that exclude each other: what it costs where a cut is the other one. A performer takes the
# wrong side more often than a foot for a hand. All scores chosen by eye.
_OPPOSITES = {("left", "right"): 3.0, ("forward", "back"): 3.0, ("walk", "run"): 3.0, ("punch", "kick"): 6.0}
_KIND_SCORE, _WORD_SCORE = 4.0, 1.0
_UNKNOWN_SCORE = 0.5  # a name that says nothing we know takes an action that no other name takes
_KINDS = frozenset(
    {
        *_KIND_OF.values(),
        "idle",
        "turn",
        "strike",
        "dodge",
        "jump",
        "fall",
        "lying",
        "roll",
        "gesture",
        "other",
    }
)


def words_of(kind: Kind, strikes: Sequence[Strike] = ()) -> frozenset[str]:
    """What is known of a cut, in words: kind, path, sides, shapes of its blows."""
    blows = {
        word for one in strikes for word in (one.shape, "left" if one.limb.startswith("left") else "right")
    }
    return frozenset({kind.kind, *kind.words, *(blows if len(strikes) == 1 else ())})


def match_shots(wanted: Sequence[str], cuts: Sequence[frozenset[str]]) -> dict[int, str]:
    """Which cut gets which name of the list: cut number -> name.

    Order is kept: of all ways to give names to cuts one after the other, the one that fits best. Cuts and
    names may be left over.

    Args:
        wanted: names, in the order of the take.
        cuts: what is known of each cut (`words_of`), in order of time.
    """
    score = np.array([[_score(_wanted_words(name), cut) for cut in cuts] for name in wanted])
    # best[i, j]: of the first i names and j cuts, as in the alignment of two sequences.
    best = np.zeros((len(wanted) + 1, len(cuts) + 1))
    for i in range(1, len(wanted) + 1):
        for j in range(1, len(cuts) + 1):
            both = best[i - 1, j - 1] + score[i - 1, j - 1]
            best[i, j] = max(best[i - 1, j], best[i, j - 1], both if score[i - 1, j - 1] > 0 else 0.0)
    found: dict[int, str] = {}
    i, j = len(wanted), len(cuts)
    while i and j:
        if best[i, j] == best[i, j - 1]:
            j -= 1
        elif best[i, j] == best[i - 1, j]:
            i -= 1
        else:
            i, j = i - 1, j - 1
            found[j] = wanted[i]
    return found


def _wanted_words(name: str) -> frozenset[str]:
    """The words of a wanted name, in ours."""
    spelled = re.sub(r"(?<=[a-z])(?=[A-Z])", "_", name).lower()
    words = {word for word in re.split(r"[^a-z0-9]+", spelled) if word}
    ours = {one for word in words for one in _MEANS.get(word, word).split()}
    return frozenset({*ours, *(_KIND_OF[word] for word in ours if word in _KIND_OF)})


def _score(name: frozenset[str], cut: frozenset[str]) -> float:
    """How well a name fits a cut; nothing or less where it does not."""
    kinds, kind = name & _KINDS, cut & _KINDS
    if not kinds:
        return 0.0 if "idle" in cut else _UNKNOWN_SCORE + _WORD_SCORE * len(name & cut)
    if not kinds & kind:
        return 0.0
    against = sum(
        cost
        for (a, b), cost in _OPPOSITES.items()
        if (a in name and b in cut and a not in cut) or (b in name and a in cut and b not in cut)
    )
    return _KIND_SCORE + _WORD_SCORE * len((name & cut) - _KINDS) - against
