"""The guesses that a BVH file asks for: unit, up axis, rate."""

from __future__ import annotations

import pytest

import open_data
from takemill.files.bvh_text import BvhText
from takemill.files.bvh_units import guess_axes, guess_rate, unit_of

pytestmark = pytest.mark.once


@pytest.mark.parametrize(
    ("text", "rate"),
    [
        ("0.0333333", 30), ("0.033333", 30), ("0.03333", 30), ("0.0333", 30), ("0.03333333333333333", 30),
        ("3.33333e-2", 30), ("0.0166667", 60), ("0.016667", 60), ("0.016666", 60), ("0.0167", 60),
        ("0.00833333", 120), ("0.008333", 120), ("0.0083", 120), ("8.3333E-03", 120),
        ("0.0041667", 240), ("0.004167", 240), ("0.004166", 240), (".0416667", 24), ("0.04", 25),
        ("0.02", 50),
        ("0.01", 100), ("0.011111", 90), ("0.05", 20), ("1", 1), ("0.0103093", 97),
        ("0.0333667", 30 / 1.001), ("0.033367", 30 / 1.001), ("0.0166833", 60 / 1.001),
        ("0.0417083", 24 / 1.001), ("0.041708", 24 / 1.001),
        ("0.0167504187604690", 59.7), ("2.5", 0.4),
    ],
)  # fmt: skip
def test_a_frame_time_is_the_rate_that_its_digits_stand_for(text, rate):
    assert guess_rate(text) == pytest.approx(rate, rel=1e-9)
    assert isinstance(guess_rate(text), float)


def body(factor: float, up: str = "Y") -> BvhText:
    """The skeleton of a bvhtoolbox file (1.94 m between the finger tips) in other units."""
    text = BvhText()
    skeleton = _free()
    axes, sign = ([0, 2, 1], [1, 1, -1]) if up == "Y" else ([0, 1, 2], [1, 1, 1])
    text.names, text.parents = list(skeleton.names), list(skeleton.parents)
    text.offsets = (skeleton.rest_translation[:, axes] * sign * factor).tolist()
    text.channels = [()] * len(skeleton)
    text.ends = [
        (joint, (tip[axes] * sign * factor).tolist())
        for joint, tip in zip(skeleton.tip_joints, skeleton.tip_offsets, strict=True)
    ]
    return text


def _free():
    from takemill.files.bvh import read_bvh

    return read_bvh(open_data.bvh_files()[0])[0].skeleton


@pytest.mark.parametrize("rate", [24, 25, 30, 48, 50, 60, 72, 90, 100, 120, 144, 150, 180, 200, 240])
def test_few_digits_are_enough_to_tell_each_usual_rate(rate):
    """Rounded or cut off after four of them, as 0.0067 for 150."""
    for seconds in (f"{1 / rate:.4f}", f"{int(1e4 / rate) / 1e4:.4f}", f"{1 / rate:.7f}"):
        if abs(float(seconds) * rate - 1) < 0.01:
            assert guess_rate(seconds) == rate, seconds


def test_the_rarest_unit_is_the_one_of_dm_control():
    """CONVERSION_LENGTH of dm_control/suite/utils/parse_amc.py, version 1.0.50."""
    assert unit_of(1.7 / 0.056444) == pytest.approx(0.056444, abs=1e-6)


@pytest.mark.parametrize("tall", [0.8, 1.0, 1.15])  # of a body of 1.75 m: 1.4 to 2.0 m
@pytest.mark.parametrize("unit_m", [1.0, 0.1, 0.01, 0.001, 0.0254, 0.3048, 0.0254 / 0.45])
@pytest.mark.parametrize("up", ["Y", "Z"])
def test_the_unit_is_the_one_that_makes_a_body(unit_m, tall, up):
    assert guess_axes(body(tall / unit_m, up))[:2] == (up, pytest.approx(unit_m))


@pytest.mark.parametrize(
    ("height_m", "unit_m"), [(1.0, 0.01), (2.6, 0.01), (0.9, 1.0), (2.9, 1.0), (1.0, 0.001)]
)
def test_small_and_large_characters_in_the_usual_units(height_m, unit_m):
    assert guess_axes(body(height_m / 1.75 / unit_m))[1] == pytest.approx(unit_m)


def single(*offsets: tuple[float, float, float]) -> BvhText:
    """A chain of joints with nothing that looks like a body."""
    text = BvhText()
    text.names = [f"j{number}" for number in range(len(offsets))]
    text.parents = [number - 1 for number in range(len(offsets))]
    text.offsets = [list(map(float, offset)) for offset in offsets]
    text.channels = [()] * len(offsets)
    return text


@pytest.mark.parametrize(
    ("heights", "unit_m"),
    [
        ((0.81, 3.29), 1.0),
        ((3.31, 8.49), 0.3048),
        ((8.51, 21.9), 0.1),
        ((22.1, 36.9), 0.0254 / 0.45),
        ((37.1, 83.9), 0.0254),
        ((84.1, 449.0), 0.01),
        ((801.0, 4499.0), 0.001),
        ((0.1, 0.7), 1.0),  # beyond all: metres, centimetres or millimetres, the nearest to 1.7 m
        ((455.0, 530.0), 0.01),
        ((545.0, 799.0), 0.001),
        ((4501.0, 1e6), 0.001),
    ],
)
def test_each_unit_is_taken_for_bodies_between_two_heights(heights, unit_m):
    assert [unit_of(height) for height in heights] == [unit_m, unit_m]


def test_without_a_body_the_guesses_still_answer():
    assert guess_axes(single((0, 0, 0))) == ("Y", 0.01, None)
    assert guess_axes(single((0, 0, 0), (0, 1e-7, 0))) == ("Y", 1.0, None)
    assert guess_axes(single((0, 0, 0), (0, 1e7, 0))) == ("Y", 0.001, None)
    assert guess_axes(single((0, 0, 0), (0, 0, 5)))[0] == "Z"
    assert guess_axes(single(*[(0, 0, 1)] * 1200))[0] == "Z"
