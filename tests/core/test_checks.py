"""The doors: what they let in, and what they say about the rest."""

from __future__ import annotations

import numpy as np
import pytest

from takemill.base import checks, errors
from takemill.base.errors import InputError


def test_owned_is_a_copy_that_cannot_be_written():
    given = np.array([1, 2, 3], np.float32)
    kept = checks.owned(given)
    given[0] = 9
    assert kept.dtype == np.float64
    assert kept[0] == 1
    with pytest.raises(ValueError, match="read-only"):
        kept[0] = 5


def test_shapes_with_any_length_on_an_axis():
    checks.expect_shape(np.zeros((7, 3)), (None, 3), "path")
    checks.expect_shape(np.zeros((0, 3)), (None, 3), "path")
    checks.expect_shape(np.zeros(()), (), "number")


@pytest.mark.parametrize("shape", [(3,), (7, 4), (7, 3, 1), ()])
def test_a_wrong_shape_is_told_with_what_was_expected(shape):
    with pytest.raises(InputError) as caught:
        checks.expect_shape(np.zeros(shape), (None, 3), "path")
    assert str(caught.value) == f"path: expected shape (any, 3), got {shape}"


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
def test_a_number_that_is_none_is_told_with_its_frame(bad):
    values = np.zeros((4, 2, 3))
    checks.expect_finite(values, "path")
    values[2, 1, 0] = bad
    with pytest.raises(
        InputError, match=r"path: value at \(2, 1, 0\) \(frame first\) is not a finite number"
    ):
        checks.expect_finite(values, "path")


@pytest.mark.parametrize("bad", [0, -1.0, np.nan, np.inf])
def test_only_finite_numbers_above_zero_are_positive(bad):
    checks.expect_positive(1e-9, "rate")
    with pytest.raises(InputError, match="rate: expected a number above 0"):
        checks.expect_positive(bad, "rate")


def test_every_error_is_a_takemill_error_and_stands_in_the_tree():
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, Exception)]
    assert len(kinds) >= 7
    for kind in kinds:
        assert issubclass(kind, errors.TakemillError)
        assert kind.__name__ in errors.__doc__
