"""What a list of clips says of paths, and how differences from what is made again are told."""

from __future__ import annotations

import pytest

from takemill.sets import verify_facts
from takemill.sets.verify_facts import find_differences


def clip(seconds: float, distance_m: float, **changes) -> dict:
    """A clip that goes straight ahead."""
    path = {
        "offset_m": [0.0, 0.0, distance_m],
        "distance_m": distance_m,
        "path_m": distance_m,
        "speed_m_s": distance_m / seconds,
        "turn_deg": 0.0,
        "cycle": None,
    }
    return {"duration_s": seconds, "root_motion": path | changes}


def said(given: dict) -> list[str]:
    return list(verify_facts._path_problems(given))


@pytest.mark.parametrize("seconds", [0.1, 1.0, 30.0])
def test_numbers_that_were_rounded_agree(seconds):
    """To a tenth of a millimetre, and to as much a second."""
    for off in (-5e-5, 5e-5):
        assert not said(clip(seconds, 1.5 + off, speed_m_s=round(1.5 / seconds, 4), path_m=1.5))
    assert not said(clip(seconds, 2.0))


@pytest.mark.parametrize("seconds", [1.0, 30.0])
def test_a_speed_that_is_not_way_by_time_is_told(seconds):
    """By less than a centimetre a second, however long the clip."""
    (text,) = said(clip(seconds, 3.0, speed_m_s=3.0 / seconds + 0.008))
    assert f"in {seconds:g} s are not" in text


def test_a_way_and_a_place_that_differ_are_told():
    (text,) = said(clip(2.0, 3.0, offset_m=[0.0, 0.0, 2.9]))
    assert "to a place 2.9000 m away" in text
    (text,) = said(clip(2.0, 3.0, path_m=2.9))
    assert text == "its path is shorter than a straight line"


def test_long_values_are_cut_short_in_what_is_told():
    (text,) = find_differences({"a": "x" * 39}, {"a": "y" * 38})
    assert text == f"a is '{'x' * 36}..., made again '{'y' * 38}'"


@pytest.mark.parametrize(
    ("one", "other", "told"),
    [
        ({"a": [1, 2]}, {"a": [1, 2, 3]}, "a has 2 entries, made again 3"),
        ({"a": [1, {"b": 2.5}]}, {"a": [1, {"b": 3.5}]}, "a[1].b is 2.5, made again 3.5"),
        ({}, {"a": 1}, "a is missing"),
        ({"a": None}, {"a": 1}, "a is None, made again 1"),
    ],
)
def test_each_difference_names_its_place(one, other, told):
    assert list(find_differences(one, other)) == [told]
    assert not list(find_differences(other, other))
