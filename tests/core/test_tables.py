"""Settings tables: names and types are checked from the dataclass alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

import pytest

from takemill.base.checks import expect_positive
from takemill.base.errors import RecipeError
from takemill.recipe.tables import settings_from


@dataclass(frozen=True)
class Inner:
    limit: float = 1.0


@dataclass(frozen=True)
class Example:
    on: bool = True
    count: int = 3
    cutoff_hz: float = 6.0
    longest_s: float | None = None
    spread: Literal["whole", "seam"] = "whole"
    joints: tuple[str, ...] = ()
    span: tuple[float, float] = (0.0, 1.0)
    weights: Mapping[str, float] = field(default_factory=dict)
    inner: Inner = field(default_factory=Inner)

    def __post_init__(self) -> None:
        expect_positive(self.cutoff_hz, "cutoff_hz")


def test_every_kind_of_field_is_filled_and_the_rest_keeps_its_default():
    table = {
        "on": False, "count": 4, "cutoff_hz": 8, "longest_s": 2, "spread": "seam", "joints": ["a", "b"],
        "span": [1, 2.5], "weights": {"head": 2},
    }  # fmt: skip
    found = settings_from(table, Example, "[example]")
    assert found == Example(False, 4, 8.0, 2.0, "seam", ("a", "b"), (1.0, 2.5), {"head": 2.0})
    assert isinstance(found.cutoff_hz, float)
    assert isinstance(found.longest_s, float)
    assert settings_from({}, Example, "[example]") == Example()


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ([1], r"\[x\]: expected a table, got \[1\]"),
        ({"cutof_hz": 1.0}, "unknown key 'cutof_hz'; did you mean 'cutoff_hz'"),
        ({"zzz": 1}, "unknown key 'zzz'; known: on, count, cutoff_hz"),
        ({"inner": {}}, "unknown key 'inner'"),
        ({"on": 1}, "on: expected true or false, got 1"),
        ({"count": True}, "count: expected a whole number, got true"),
        ({"count": 1.0}, "count: expected a whole number"),
        ({"cutoff_hz": True}, "cutoff_hz: expected a number, got true"),
        ({"cutoff_hz": "6"}, "cutoff_hz: expected a number, got '6'"),
        ({"cutoff_hz": float("nan")}, "cutoff_hz: expected a finite number"),
        ({"longest_s": 10**400}, "longest_s: expected a finite number"),
        ({"cutoff_hz": -1.0}, r"\[x\]: cutoff_hz: expected a number above 0"),
        ({"spread": "all"}, "spread: expected one of 'whole', 'seam', got 'all'"),
        ({"joints": "a"}, "joints: expected a list"),
        ({"joints": ["a", 1]}, "joints: expected a text in quotes, got 1"),
        ({"span": [1.0]}, "span: expected 2 values, got 1"),
        ({"weights": {"head": "2"}}, r"weights\.head: expected a number"),
        ({"spread": "a" * 100}, r"got 'a{36}\.\.\.$"),
    ],
)
def test_what_does_not_fit_is_named(table, message):
    with pytest.raises(RecipeError, match=message):
        settings_from(table, Example, "[x]")
