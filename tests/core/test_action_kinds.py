"""Which kind an action is, by what it does; and what it does, of labelled actions."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest

from labelled_takes import labelled_take
from takemill.cuts.action_features import Features
from takemill.cuts.action_kinds import KINDS, tell_kind
from takemill.cuts.cuts import CutSettings, suggest_cuts
from takemill.cuts.strikes import Strike

STILL = Features(
    seconds=1.0, strikes=(), lies_first=False, lies_last=False, lying_share=0.0, least_upright=1.0,
    inverted_air_share=0.0, lowest_hips=1.0, rise=0.0, flights=0, air_s=0.0, steps=0, path=0.0, way=0.0,
    out=0.0, out_ahead=0.0, out_left=0.0,
    ahead=0.0, left=0.0, speed=0.0, turn_deg=0.0, bend_deg=0.0, sinks=0.0, drop=0.0, head_drop=0.0,
    head_aside=0.0, head_back=0.0, head_returns=0.0, stance=0.0, arms=0.0, far_arm="left", reaches=0.5,
)  # fmt: skip
JAB = Strike("leftHand", 10, 8.0, 0.07, "straight")
KICK = Strike("rightFoot", 20, 8.0, 0.07, "kick")
GAIT = replace(STILL, steps=6, path=4.0, way=3.9, ahead=3.9, speed=1.2)


@pytest.mark.parametrize(
    ("do", "kind", "name"),
    [
        (STILL, "other", "other"),
        (replace(STILL, strikes=(JAB,)), "strike", "punch_left"),
        (replace(GAIT, strikes=(KICK,)), "strike", "kick_right"),
        (replace(STILL, strikes=(JAB, KICK)), "strike", "combo"),
        (GAIT, "locomotion", "walk_forward"),
        (replace(GAIT, ahead=-3.9), "locomotion", "walk_back"),
        (replace(GAIT, ahead=0.1, left=-3.9), "locomotion", "walk_right"),
        (replace(GAIT, bend_deg=90.0), "locomotion", "walk_curve_left"),
        (replace(GAIT, flights=6, speed=3.5, bend_deg=-90.0), "locomotion", "run_curve_right"),
        (replace(GAIT, speed=6.5, flights=6), "locomotion", "sprint_forward"),
        (replace(GAIT, way=0.3), "other", "other"),  # a dance treads in place
        (replace(GAIT, lying_share=0.8, least_upright=0.1, lowest_hips=0.2), "locomotion", "crawl_forward"),
        (replace(STILL, turn_deg=-92.0), "turn", "turn_right_90"),
        (replace(STILL, turn_deg=178.0, reaches=2.0), "turn", "turn_left_180"),
        (replace(STILL, turn_deg=178.0, reaches=9.0), "other", "other"),
        (replace(STILL, flights=1, air_s=0.4, rise=0.3), "jump", "jump"),
        (replace(GAIT, steps=2, flights=1, air_s=0.4, rise=0.3), "jump", "jump_forward"),
        (replace(STILL, least_upright=-1.0, inverted_air_share=1.0, rise=0.4, air_s=0.5, ahead=-1.0),
         "jump", "flip_back"),
        (replace(STILL, least_upright=-0.8, lowest_hips=0.1, ahead=1.0), "roll", "roll_forward"),
        (replace(STILL, least_upright=-0.8, lowest_hips=0.9), "other", "cartwheel"),
        (replace(STILL, lies_last=True, lowest_hips=0.1, sinks=0.9), "fall", "fall"),
        (replace(STILL, lies_first=True, lowest_hips=0.1, sinks=-0.9), "get_up", "get_up"),
        (replace(STILL, head_drop=0.5, drop=0.4), "dodge", "duck"),
        (replace(STILL, head_aside=-0.3), "dodge", "slip_right"),
        (replace(STILL, steps=4, path=1.0, out=0.5, out_ahead=-0.5), "dodge", "step_back"),
        (replace(STILL, steps=4, path=1.0, out=0.5, out_left=0.5, way=0.4), "other", "other"),
        (replace(STILL, head_drop=0.3), "other", "other"),  # the trunk alone: a bow without arms
        (replace(STILL, head_aside=-0.3, head_returns=0.3), "other", "other"),
        (replace(STILL, arms=0.6), "gesture", "gesture_left"),
        (replace(STILL, arms=0.6, stance=0.3), "other", "other"),
        (replace(STILL, sinks=0.5, stance=0.3), "other", "crouch"),
    ],
)  # fmt: skip
def test_the_kind_follows_from_what_it_does(do: Features, kind: str, name: str) -> None:
    found = tell_kind(do, turn_deg=40.0, jump_rise=0.1)
    assert (found.kind, "_".join(found.words)) == (kind, name)
    assert found.kind in KINDS
    assert 0.5 <= found.sure <= 1
    assert found.why


def test_it_is_the_surer_the_further_it_is_from_the_limit() -> None:
    sure = [tell_kind(replace(STILL, turn_deg=angle), 40.0, 0.1).sure for angle in (40.0, 60.0, 90.0, 180.0)]
    assert sure[0] == pytest.approx(0.5, abs=1e-12)
    assert sure == sorted(sure)


@pytest.mark.parametrize("rests", [True, False])
def test_actions_of_a_fighter_are_found_whole_with_their_kinds_and_limbs(rests: bool) -> None:
    """Whether or not there is a rest between them; ends within 0.3 s."""
    take = labelled_take(31, 5, ("punch", "kick", "walk_left", "gesture", "dodge"), rests=rests)
    cuts = [cut for cut in suggest_cuts(take.motion, take.body) if cut.kind != "idle"]
    assert len(cuts) == len(take.labels)
    for cut, label in zip(cuts, take.labels, strict=True):
        assert cut.kind in label.kinds, (cut, label)
        assert abs(cut.start - label.start) <= 0.3 * take.motion.rate, (cut, label)
        assert abs(cut.stop - label.stop) <= 0.3 * take.motion.rate, (cut, label)
        if cut.kind == "strike":
            assert cut.limbs == label.limbs
            assert all(cut.start < frame < cut.stop for frame in cut.strikes)


def test_a_combination_is_one_cut_or_its_parts() -> None:
    take = labelled_take(7, 1, ("combination",), rests=True)
    (label,) = take.labels
    (whole,) = (cut for cut in suggest_cuts(take.motion, take.body) if cut.kind == "strike")
    assert (whole.name, whole.limbs) == ("combo_01", label.limbs)
    settings = CutSettings(combinations="parts")
    parts = [cut for cut in suggest_cuts(take.motion, take.body, settings) if cut.kind == "strike"]
    assert tuple(cut.limbs[0] for cut in parts) == label.limbs
    assert (parts[0].start, parts[-1].stop) == (whole.start, whole.stop)
    assert all(before.stop == after.start for before, after in pairwise(parts))


def test_who_falls_lies_and_gets_up_is_cut_there() -> None:
    take = labelled_take(3, 1, ("fall_faceup",), rests=True)
    kinds = [cut.kind for cut in suggest_cuts(take.motion, take.body) if cut.kind != "idle"]
    assert kinds == ["fall", "lying", "get_up"]


def test_a_shot_list_names_the_cuts() -> None:
    take = labelled_take(3, 2, ("kick", "walk"), rests=True)
    settings = CutSettings(shot_list=("kick_high", "stroll", "kick_high"))
    cuts = suggest_cuts(take.motion, take.body, settings)
    named = {cut.name: cut.kind for cut in cuts}
    assert (named["kick_high"], named["stroll"]) == ("strike", "locomotion")
    assert len(named) == len(cuts)
    assert all(name.startswith("idle_") for name, kind in named.items() if kind == "idle")
