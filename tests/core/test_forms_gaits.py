"""Gaits in parts and idles of a length are the same however a take is written.

A file is written by `forms.bvh_text`, which shares nothing with our own writer.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import pytest

import forms
from gait_takes import start_and_stop
from idle_takes import known_idle
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.files.bvh import parse_bvh
from takemill.idle.idle import build_idle, choose_idle
from takemill.maths import quat
from takemill.pipeline.plan_clips import suggest_take_cuts
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe

pytestmark = pytest.mark.once

Form = Callable[[forms.Plain, BodyMap], str]

_TURN = quat.exp(np.array([0.0, 0.0, 2.0]))


def _resting(pose: forms.Pose) -> Form:
    return lambda plain, body: forms.bvh_text(forms.resting(plain, pose(plain, body.joints)))


FORMS: dict[str, Form] = {
    "along one axis": _resting(forms.along()),
    "random turns": _resting(forms.random_turns(3)),
    "crumpled": _resting(forms.crumpled(1)),
    "lying": _resting(forms.whole("x", 90.0)),
    "inches, X up": lambda plain, _: forms.bvh_text(plain, unit="inch", up="X"),
    "cm, -Z up": lambda plain, _: forms.bvh_text(plain, unit="cm", up="-Z"),
    "a root above": lambda plain, _: forms.bvh_text(forms.split_path(forms.under_root(plain))),
    "turned and elsewhere": lambda plain, _: forms.bvh_text(
        forms.turned_world(plain, _TURN, np.array([30.0, -8.0, 0.0]))
    ),
}


def read(form: Form, motion: Motion, body: BodyMap) -> Motion:
    return parse_bvh(form(forms.plain(motion), body))[0]


Part = tuple[str, int, int, bool, str, str]


def parts_of(motion: Motion, body: BodyMap) -> list[Part]:
    cuts = suggest_take_cuts(prepare_take("day", motion, body, Recipe()), Recipe())
    return [
        (one.name, one.start, one.stop, one.loop, one.follows, one.leads_to)
        for one in cuts
        if one.kind == "locomotion"
    ]


@cache
def plain_parts(turn_deg: float) -> list[Part]:
    return parts_of(*start_and_stop("walk", 9 if turn_deg else 5, 1, turn_deg))


@pytest.mark.parametrize("form", FORMS)
def test_a_gait_has_the_same_parts_in_any_form(form: str) -> None:
    turn_deg = -90.0 if form in ("crumpled", "cm, -Z up") else 0.0
    motion, body = start_and_stop("walk", 9 if turn_deg else 5, 1, turn_deg)
    wanted = plain_parts(turn_deg)
    assert len(wanted) == (4 if turn_deg else 3)
    other = read(FORMS[form], motion, body)
    found = parts_of(other, body_of(other.skeleton, Recipe()))
    assert [(name, *rest) for name, _, _, *rest in found] == [(name, *rest) for name, _, _, *rest in wanted]
    ends = [np.array([one[1:3] for one in parts]) for parts in (found, wanted)]
    assert np.abs(ends[0] - ends[1]).max() <= 1


@cache
def plain_idle() -> tuple[tuple[tuple[int, int], ...], tuple[float, ...], float | None]:
    known = known_idle(7)
    return idle_of(known.motion, known.body)


def idle_of(
    motion: Motion, body: BodyMap
) -> tuple[tuple[tuple[int, int], ...], tuple[float, ...], float | None]:
    contacts = find_contacts(motion, body)
    parts = choose_idle(motion, body, contacts, ((0, len(motion)),), 20.0, 1)
    facts = build_idle(motion, body, contacts, parts, 20.0).facts
    return parts, facts.joins, facts.breaths


@pytest.mark.parametrize("form", FORMS)
def test_an_idle_has_the_same_parts_in_any_form(form: str) -> None:
    known = known_idle(7)
    parts, joins, breaths = plain_idle()
    other = read(FORMS[form], known.motion, known.body)
    found = idle_of(other, body_of(other.skeleton, Recipe()))
    assert np.abs(np.array(found[0]) - np.array(parts)).max() <= 1
    assert found[1] == pytest.approx(joins, abs=2e-3)
    assert round(found[2] or 0.0) == round(breaths or 0.0) == 5
