"""What is kept with Actions can be anything by the time it is read: an error, never a traceback."""

from __future__ import annotations

import json
import random

import bpy
import numpy as np
import pytest

import fuzz_harms
import fuzz_readers
from takemill.base.errors import InputError
from takemill.loops.loop_search import LoopCandidate
from takemill.recipe.recipe import VariantSpec
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.scene import stored
from takemill_addon.bridge.takes import findings
from takemill_addon.operators.loop import a_loop
from takemill_addon.operators.variants import poses

pytestmark = pytest.mark.usefixtures("addon")

GOOD = fuzz_readers.GOOD_RECORD


def kept(text: str) -> bpy.types.Action:
    action = bpy.data.actions.new("clip")
    action.takemill.record = text
    return action


def test_a_record_comes_back_as_it_was_kept():
    record = ClipRecord.of_action(kept(json.dumps(GOOD)))
    assert record.candidate == LoopCandidate(3, 9, 1.0, 0.5, 2.0, "good")
    assert record.variant == VariantSpec("walk", "w", True, 1.5)
    assert np.array_equal(record.contacts.toe, [[True], [True]])
    other = bpy.data.actions.new("other")
    record.keep(other)
    assert json.loads(other.takemill.record) == GOOD


def test_a_record_keeps_floors_at_several_heights():
    floors = [[[0.0, 0.0]], [[0.16, 0.17]]]
    text = json.dumps(GOOD | {"contacts": GOOD["contacts"] | {"rise_m": floors}})
    record = ClipRecord.of_action(kept(text))
    assert np.array_equal(record.contacts.rise_m, floors)
    other = bpy.data.actions.new("other")
    record.keep(other)
    assert json.loads(other.takemill.record) == json.loads(text)


@pytest.mark.parametrize(
    "text",
    [
        "[" * 100_000,
        '{"rate": ' * 100_000,
        "null",
        "[]",
        "{}",
        "1" * 6001,
        '{"rate": NaN}',
        *(
            json.dumps(GOOD | {key: value})
            for key in GOOD
            for value in ("x" * 10, -1, [[["x"]]], {"a": 1})
            if (key, value) not in [(text, "x" * 10) for text in ("source", "no_loop")]
        ),
        json.dumps(GOOD | {"source_range": [10**400, 1]}),
        json.dumps(GOOD | {"rate": None}),
        json.dumps(GOOD | {"contacts": GOOD["contacts"] | {"heel": [[0], [1, 1]]}}),
        json.dumps(GOOD | {"contacts": GOOD["contacts"] | {"feet": ["leftFoot", "rightFoot"]}}),
        json.dumps(GOOD | {"contacts": GOOD["contacts"] | {"rise_m": [[[0.0, 0.0]]]}}),
        json.dumps(GOOD | {"contacts": GOOD["contacts"] | {"rise_m": [[[0.0]], [[0.0, 0.0]]]}}),
        json.dumps(GOOD | {"root_motion": {"position": [[0, 0, 0]], "heading": [0, 1]}}),
    ],
)
def test_a_record_of_anybody_s_is_an_error_of_ours(text):
    with pytest.raises(
        InputError, match=r"action 'clip.*': its clip record is damaged .*; make the clip again"
    ):
        ClipRecord.of_action(kept(text))


@pytest.mark.parametrize("text", ["[" * 100_000, "[1]", '{"spikes": "x"}', '{"spikes": 1e999}', "{"])
def test_measures_of_anybody_s_are_a_line_in_the_panel_and_an_error_at_the_operator(text):
    action = bpy.data.actions.new("take")
    action.takemill.measures = text
    ((said, *_),) = findings.measure_rows(action)
    assert "its measures are damaged" in said
    with pytest.raises(InputError, match=r"its measures are damaged .*; check the take again"):
        findings.kept(action)


def test_buttons_say_why_they_cannot_be_pressed():
    """They are asked whenever the panel is drawn."""
    armature = bpy.data.objects.new("suit", bpy.data.armatures.new("suit"))
    bpy.context.collection.objects.link(armature)
    bpy.context.view_layer.objects.active = armature
    armature.animation_data_create().action = kept("[" * 100_000)
    for ask in (a_loop, poses):
        assert "its clip record is damaged (it is nested too deeply)" in ask(bpy.context)


def test_mutated_records_are_read_or_refused():
    """A short run; `fuzz_atheris.py` has a million."""
    refused, read = 0, fuzz_readers.record_reader()
    for number in range(3000):
        try:
            read(fuzz_harms.harmed_text(json.dumps(GOOD).encode(), random.Random(f"records {number}")))
        except InputError:
            refused += 1
    assert 1000 < refused < 3000
    assert stored.record(json.dumps(GOOD)) == GOOD
