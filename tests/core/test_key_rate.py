"""The rate that is read from the times of keys alone."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.files.key_rate import rate_of_keys


def test_steps_that_differ_by_up_to_a_hundredth_are_even() -> None:
    """At 37 frames a second, which no rate of films or suits comes near; every other step is longer."""
    for differs, even in ((0.009, True), (0.012, False)):
        steps = (1 + differs / 2 * np.tile([1.0, -1.0], 20)) / 37
        rate = rate_of_keys(np.concatenate([[0.0], np.cumsum(steps)]))
        assert (rate == 37.0) == even


def test_keys_lie_on_whole_frames_within_a_fiftieth() -> None:
    """Some frames of a take at 24 a second; where one is off them, the smallest step is taken for a frame."""
    for off, rate in ((0.018, 24.0), (0.025, 12.0)):
        assert rate_of_keys(np.array([0, 2, 5, 9 + off, 40, 101]) / 24) == rate


@pytest.mark.parametrize("rate", [24, 25, 30, 48, 50, 60, 72, 90, 100, 120, 144, 150, 180, 200, 240])
def test_few_keys_on_whole_frames_tell_each_usual_rate(rate: int) -> None:
    """Steps of 2 frames and more, so that the smallest step is no frame of it."""
    frames = np.cumsum(np.random.default_rng(1).integers(2, 40, 60))
    assert rate_of_keys(frames / rate) == rate


def test_two_times_closer_than_float32_tells_apart_are_one() -> None:
    """Of two that are not, the step between them is the smallest, and no rate has so short a frame."""
    for apart_s, rate in ((0.9e-5, 37.0), (1.2e-5, 1000.0)):
        assert rate_of_keys(np.array([0, 1, 1 + 37 * apart_s, 2.3, 4.717]) / 37) == rate


def test_a_rate_within_a_part_in_5000_of_a_usual_one_is_that() -> None:
    """29.97 is not 30, and a measured 29.996 is."""
    times = np.arange(200.0)
    for off, usual in ((1.8e-4, True), (2.2e-4, False)):
        assert (rate_of_keys(times / (30 * (1 + off))) == 30.0) == usual
    assert rate_of_keys(times * 1.001 / 30) == 30 / 1.001


def test_the_smallest_step_is_a_frame_but_no_thousandth_of_a_second_has_several() -> None:
    irregular = np.array([0.0, 1.0, 2.3, 4.717])
    assert rate_of_keys(irregular / 701) == 701.0
    assert rate_of_keys(irregular / 1007) == 1000.0
