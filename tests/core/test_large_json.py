"""Large JSON: the same values, and Python's search for circles goes on as it was."""

from __future__ import annotations

import gc
import json
import struct

import pytest

from fuzz_readers import sway
from glb_clips import clip_of
from takemill.base import large_json
from takemill.base.errors import GlbError
from takemill.files import glb
from takemill.files.glb_format import ChunkType, Document, pack, parse
from takemill.files.glb_read import GlbScene


@pytest.fixture(params=[True, False])
def searches(request):
    (gc.enable if request.param else gc.disable)()
    yield request.param
    gc.enable()


def test_the_search_pauses_while_json_is_read_and_is_then_as_it_was(searches):
    seen: list[bool] = []
    found = large_json.loads(b'[1, NaN, {"a": []}]', parse_constant=lambda _: seen.append(gc.isenabled()))
    assert found == [1, None, {"a": []}]
    assert seen == [False]
    assert gc.isenabled() == searches


@pytest.mark.parametrize(("text", "error"), [("{", json.JSONDecodeError), ("[" * 100_000, RecursionError)])
def test_what_cannot_be_read_leaves_the_search_as_it_was(searches, text, error):
    with pytest.raises(error):
        large_json.loads(text)
    assert gc.isenabled() == searches


def test_a_glb_of_more_json_than_can_be_read_in_seconds_is_refused():
    good = pack(Document({"asset": {"version": "2.0"}}, None))
    text = good[20:].rstrip() + b" " * large_json.MAX_JSON_BYTES
    text += b" " * (-len(text) % 4)
    head = struct.pack("<5I", 0x46546C67, 2, 20 + len(text), len(text), ChunkType.JSON)
    for read in (parse, lambda data: GlbScene(data, "long.glb")):
        with pytest.raises(GlbError, match=f"{len(text)} bytes of JSON; at most 50000000 can be"):
            read(head + text)


def test_no_glb_is_written_that_cannot_be_read_again(monkeypatch):
    motion = sway()
    base = glb.skeleton_glb(motion.skeleton)
    monkeypatch.setattr(large_json, "MAX_JSON_BYTES", len(base) - 20)
    with pytest.raises(GlbError, match="can be read again; put fewer clips into one file"):
        glb.append_animations(base, [clip_of(f"clip {k}", motion) for k in range(200)])
