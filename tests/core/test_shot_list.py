"""Names of a shot list go to the cuts that fit them best, in their order."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from takemill.cuts import shot_list
from takemill.cuts.action_kinds import KINDS, Kind
from takemill.cuts.shot_list import match_shots, words_of
from takemill.cuts.strikes import Strike


def cut(kind: str, *words: str) -> frozenset[str]:
    return words_of(Kind(kind, words or (kind,), 1.0, ""))


TAKE = (
    cut("idle"),
    cut("strike", "punch", "left"),
    cut("strike", "punch", "right"),
    cut("idle"),
    cut("locomotion", "walk", "forward"),
    cut("locomotion", "run", "curve", "left"),
    cut("dodge", "duck"),
    cut("strike", "kick", "right"),
)


@pytest.mark.parametrize(
    ("wanted", "numbers"),
    [
        (["jab", "cross", "walk", "run", "duck", "kick"], [1, 2, 4, 5, 6, 7]),
        (["right_hand_hit"], [2]),
        (["kickRight", "roundhouse"], [7]),
        (["walk", "duck", "jab"], [4, 6]),  # in this order the jab can have none
        (["breathe", "stance"], [0, 3]),
        (["taunt_a"], [1]),  # no word that is known: an action, no idle
        (["jump"], []),
        ([], []),
    ],
)
def test_each_name_goes_to_the_cut_that_fits(wanted: list[str], numbers: list[int]) -> None:
    assert sorted(match_shots(wanted, TAKE)) == numbers


def test_no_other_choice_in_this_order_fits_better() -> None:
    """Against all choices of as many names for as many cuts."""
    rng = np.random.default_rng(3)
    words = ["jab", "walk", "run_left", "duck", "kick_right", "idle", "taunt"]
    for _ in range(20):
        wanted = [str(word) for word in rng.choice(words, 3)]
        cuts = [TAKE[k] for k in rng.integers(0, len(TAKE), 5)]

        def score(names: tuple[int, ...], numbers: tuple[int, ...]) -> float:
            pairs = [
                shot_list._score(shot_list._wanted_words(wanted[i]), cuts[j])  # noqa: B023
                for i, j in zip(names, numbers, strict=True)
            ]
            return sum(pairs) if all(one > 0 for one in pairs) else 0.0

        best = max(
            score(names, numbers)
            for count in range(4)
            for names in combinations(range(3), count)
            for numbers in combinations(range(5), count)
        )
        found = match_shots(wanted, cuts)
        fits = [shot_list._score(shot_list._wanted_words(name), cuts[k]) for k, name in found.items()]
        assert sum(fits) == pytest.approx(best, abs=1e-9)


def test_all_kinds_have_words_of_their_own() -> None:
    assert set(KINDS) <= shot_list._KINDS | {"idle"}
    hook = Strike("leftHand", 10, 7.0, 0.1, "hook")
    assert {"strike", "punch", "left", "hook"} == words_of(Kind("strike", ("punch", "left"), 1.0, ""), [hook])
