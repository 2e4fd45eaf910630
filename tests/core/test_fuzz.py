"""A short run of the mutated inputs; `tests/benchmarks/fuzz_table.py` runs a million."""

from __future__ import annotations

import os
import random
import time

import numpy as np
import pytest

import fuzz
import fuzz_readers
from takemill.base.errors import BvhError, TakemillError

pytestmark = pytest.mark.once

COUNTS = {"BVH": 1500, "recipe": 1500, "GLB": 600, "clips.json": 60}


@pytest.fixture(scope="module")
def cases():
    with fuzz_readers.readers() as found:
        yield found


@pytest.mark.skipif(os.name != "posix", reason="SIGALRM")
@pytest.mark.parametrize("name", COUNTS)
def test_nothing_but_our_error_comes_out_of_mutated_inputs(cases, name):
    """Some of them are read, too: harms that every reader refuses would show nothing."""
    result = fuzz.run(name, cases[name], COUNTS[name], seed=20)
    assert result.bad == []
    assert result.cases == COUNTS[name]
    assert 0.02 * result.cases < result.refused < 0.99 * result.cases
    assert result.slowest_s < fuzz.LONGEST_S


@pytest.mark.skipif(os.name != "posix", reason="SIGALRM")
def test_what_it_looks_for_is_found(monkeypatch):
    """A plain exception, a warning, and a reader that does not end; the error of ours is none."""
    monkeypatch.setattr(fuzz, "LONGEST_S", 0.2)
    numbers = iter(range(100))

    def case(_):
        def read():
            number = next(numbers)
            if number == 1:
                return {}["missing"]
            if number == 2:
                raise BvhError("line 1: none")
            if number == 3:
                time.sleep(5)
            if number == 4:
                return np.float32(1e30) * np.float32(1e30)
            return number

        return read

    result = fuzz.run("BVH", case, 6)
    assert [(number, text.split(":")[0]) for number, text in result.bad] == [
        (1, "KeyError"),
        (3, "TooLongError"),
        (4, "RuntimeWarning"),
    ]
    assert result.refused == 1


def test_a_case_is_the_same_whenever_it_is_asked_for(cases):
    for name, case in cases.items():
        outcome = [told(case(random.Random(f"{name} 1 {k}"))) for k in range(12)]
        assert outcome == [told(case(random.Random(f"{name} 1 {k}"))) for k in range(12)]


def told(read) -> str:
    try:
        return type(read()).__name__
    except TakemillError as problem:
        return str(problem)
