"""Strikes of labelled takes are found with their limbs; gestures, gaits and dances hold none."""

from __future__ import annotations

import numpy as np
import pytest

from labelled_actions import Label
from labelled_takes import labelled_take
from takemill.cuts.action_features import trunk_upright
from takemill.cuts.action_signals import measure_signals
from takemill.cuts.strikes import Strike, find_strikes
from takemill.feet.contacts import find_contacts


def strikes_of(seed: int, word: str, rests: bool = True) -> tuple[tuple[Strike, ...], tuple[str, ...]]:
    """The strikes that are found in a take of one action, and those that it holds."""
    take = labelled_take(seed, 1, (word,), rests=rests)
    contacts = find_contacts(take.motion, take.body)
    signals = measure_signals(take.motion, take.body, contacts, np.arange(0, len(take.motion), 2))
    (label,) = take.labels
    found = find_strikes(signals, trunk_upright(signals), 5.0, 4.0)
    assert all(label.start < 2 * one.frame < label.stop for one in found)
    return found, strikes_in(label)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("word", ["punch", "kick", "spinkick"])
def test_a_strike_is_found_with_its_limb(word: str, seed: int) -> None:
    found, wanted = strikes_of(seed, word)
    assert tuple(one.limb for one in found) == wanted
    assert all((one.shape == "kick") == (word != "punch") for one in found)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_strikes_of_a_combination_are_found_one_by_one(seed: int) -> None:
    found, wanted = strikes_of(seed, "combination", rests=False)
    assert tuple(one.limb for one in found) == wanted


@pytest.mark.parametrize(
    "word", ["gesture", "walk", "run", "dance_a", "dance_b", "dodge", "cartwheel", "roll"]
)
def test_what_is_no_strike_holds_none(word: str) -> None:
    for seed in (0, 1, 4):
        assert strikes_of(seed, word)[0] == ()


def test_a_long_take_holds_its_strikes_and_no_other() -> None:
    """Fourteen actions; among them a spinning kick whose arm flies out faster than any punch."""
    take = labelled_take(10)
    contacts = find_contacts(take.motion, take.body)
    signals = measure_signals(take.motion, take.body, contacts, np.arange(0, len(take.motion), 2))
    found = find_strikes(signals, trunk_upright(signals), 5.0, 4.0)
    assert [one.limb for one in found] == [limb for label in take.labels for limb in strikes_in(label)]


def strikes_in(label: Label) -> tuple[str, ...]:
    return label.limbs if label.kinds == ("strike",) else ()
