"""Values as bytes: what stages pass on comes back equal, and equal values have equal bytes."""

from __future__ import annotations

from dataclasses import dataclass
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import day_take
from takemill.base.errors import FileError
from takemill.recipe.recipe import parse_recipe
from takemill.shoot.value_bytes import digest_of_value, dump_value, load_value

PLAIN = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False) | st.text(),
    lambda below: (
        st.lists(below, max_size=4)
        | st.tuples(below, below)
        | st.dictionaries(st.text(max_size=5), below, max_size=4)
    ),
    max_leaves=12,
)


@given(PLAIN)
def test_plain_values_come_back_as_they_were(value):
    again = load_value(dump_value(value))
    assert again == value
    assert repr(again) == repr(value), "1 is not 1.0 and no True"


@pytest.mark.parametrize("dtype", ["<f8", "<f4", "<i2", "<i8", "|b1", ">f8"])
def test_arrays_keep_their_bits_shape_and_kind(dtype):
    array = np.arange(12).reshape(2, 3, 2).astype(dtype)[:, ::-1]
    again = load_value(dump_value({"a": array, "n": array[0, 0, 0]}))
    np.testing.assert_array_equal(again["a"], array)
    assert again["a"].dtype == array.dtype.newbyteorder("<")
    assert not again["a"].flags.writeable
    assert isinstance(again["n"], np.generic)
    assert again["n"] == array[0, 0, 0]


def test_takes_and_clips_come_back_and_have_one_text():
    take = day_take.day()
    again = load_value(dump_value(take))
    assert dump_value(again) == dump_value(take)
    assert again.body == take.body
    np.testing.assert_array_equal(again.motion.rotations, take.motion.rotations)
    assert again.motion.skeleton is again.raw.skeleton, "what is equal is one object"
    recipe = '[cuts]\nshot_list = ["a"]\n' + day_take.clip()
    clips = day_take.make(take, recipe)
    assert dump_value(day_take.make(again, recipe)) == dump_value(clips), (
        "stages go on from it as from the take"
    )


def test_a_digest_tells_values_apart():
    known = {"a": (1, 2.0, "x"), "b": MappingProxyType({"c": None})}
    assert digest_of_value(known) == digest_of_value({"a": (1, 2.0, "x"), "b": MappingProxyType({"c": None})})
    others = [
        {**known, "a": (1, 2, "x")},
        {**known, "a": [1, 2.0, "x"]},
        {**known, "b": {"c": None}},
        {"a": 1},
    ]
    assert len({digest_of_value(one) for one in [known, *others]}) == 5
    one, other = parse_recipe("rate = 30"), parse_recipe("rate = 60")
    assert digest_of_value(one) != digest_of_value(other)


@dataclass(frozen=True)
class Foreign:
    a: int = 1


@pytest.mark.parametrize("value", [Foreign(), object(), b"bytes", 1j, np.array(["text"])], ids=repr)
def test_other_kinds_are_not_kept(value):
    with pytest.raises(TypeError, match="cannot be kept"):
        dump_value([value])


@pytest.mark.parametrize(
    "nodes",
    [
        '["@","os:system",0]', '["@","takemill.shell.cli:main"]', '["@","takemill.body.motion:Motion"]',
        '["?"]', '["#",["<f8",[9],"",0],false]', '["()",7]',
    ],
)  # fmt: skip
def test_bytes_that_hold_no_value_are_refused_and_nothing_is_called(nodes):
    text = f"[0,[{nodes}]]".encode()
    for data in (len(text).to_bytes(8, "little") + text, text, b""):
        with pytest.raises(FileError, match="hold no value"):
            load_value(data)
