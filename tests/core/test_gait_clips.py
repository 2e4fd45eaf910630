"""Gaits in parts and ends that meet loops, through recipes, other rates, variants and lists."""

from __future__ import annotations

import json
import shutil
from dataclasses import replace

import numpy as np
import pytest

import damaged_sets
import small_takes
from gait_takes import start_and_stop
from takemill.base.errors import RecipeError
from takemill.clip.measure import set_gaps
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.meet_loops import loop_of
from takemill.pipeline.plan_clips import plan_clips, suggest_take_cuts
from takemill.pipeline.prepare_take import PreparedTake, prepare_take
from takemill.pipeline.stages import make_set, settle_seams
from takemill.recipe.recipe import parse_recipe
from takemill.sets.clip_joins import describe_joins
from takemill.sets.report_chain import find_chains, render_chains
from takemill.shell import cli

WHOLE = '[[clip]]\nname = "walk"\nfrom = 2.4\nto = 9.0\nin_parts = true\n'
IDLE = '[[clip]]\nname = "calm"\nfrom = 0.0\nto = 2.3\nloop = true\nroot_motion = "in_place"\nkind = "idle"\n'
ABOVE = 'neutral = "calm"\nblend_frames = 8\n'


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    motion, body = start_and_stop("walk")
    return prepare_take("day", motion, body, parse_recipe(""))


def made(take: PreparedTake, text: str) -> dict[str, FinishedClip]:
    return {one.name: one for one in make_set(take, parse_recipe(text))}


def gap_cm(clips: dict[str, FinishedClip], before: str, after: str) -> float:
    pair = [clips[name] for name in (before, after)]
    gaps = set_gaps({one.name: one.world_motion for one in pair}, pair[0].body)
    return float(gaps.cm[0, 1]) if before != after else float(gaps.cm[0, 0])


@pytest.mark.parametrize("rate", ["", "rate = 30\n", "rate = 24\n", "rate = 50\n"])
def test_a_gait_in_parts_is_three_clips_that_meet(take, rate):
    clips = made(take, rate + ABOVE + IDLE + WHOLE)
    assert list(clips) == ["calm", "walk_start", "walk_loop", "walk_stop"]
    for pair in (("calm", "walk_start"), ("walk_start", "walk_loop"), ("walk_loop", "walk_stop"),
                 ("walk_stop", "calm")):  # fmt: skip
        assert gap_cm(clips, *pair) < 0.01, pair
    assert [one.loop for one in clips.values()] == [True, False, True, False]
    assert {one.kind for name, one in clips.items() if name != "calm"} == {"locomotion"}
    assert gap_cm(clips, "calm", "walk_loop") > 5


def test_suggested_gaits_come_in_parts_unless_the_recipe_says_whole(take):
    whole = suggest_take_cuts(take, parse_recipe('[cuts]\ngaits = "whole"'))
    parts = suggest_take_cuts(take, parse_recipe(""))
    assert [one.name for one in whole] == ["idle_01", "walk_forward_01", "idle_02"]
    names = [f"walk_forward_{part}_01" for part in ("start", "loop", "stop")]
    assert [one.name for one in parts] == ["idle_01", *names, "idle_02"]
    assert (parts[1].leads_to, parts[3].follows) == (names[1], names[1])
    assert (parts[1].start, parts[3].stop) == (whole[1].start, whole[1].stop)
    assert whole[1].why in parts[2].why


def test_a_loop_that_is_not_good_leaves_the_gait_whole():
    """With four cycles wanted where a foot comes down four times."""
    text = '[cuts]\ngaits = "parts"\n[loop]\ncycles = 4'
    motion, body = start_and_stop("walk", 3)
    short = prepare_take("short", motion, body, parse_recipe(text))
    cuts = suggest_take_cuts(short, parse_recipe(text))
    assert [one.name for one in cuts if one.kind == "locomotion"] == ["walk_forward_01"]


def test_turns_are_named_by_side_and_angle():
    motion, body = start_and_stop("walk", 9, 1, -90.0)
    recipe = parse_recipe('[cuts]\ngaits = "parts"')
    cuts = suggest_take_cuts(prepare_take("day", motion, body, recipe), recipe)
    names = [one.name for one in cuts if one.kind == "locomotion"]
    assert names == [f"walk_forward_{part}_01" for part in ("start", "loop", "turn_right_90", "stop")]
    turn = next(one for one in cuts if "turn" in one.name)
    assert turn.follows == turn.leads_to == "walk_forward_loop_01"


JOINED = """
[[clip]]
name = "walk"
from = 4.0
to = 8.0
loop = true

[[clip]]
name = "off"
from = 2.4
to = {to}
leads_to = "walk"
{more}
"""


def test_an_end_moves_to_the_pose_that_fits(take):
    """Written by hand, a third of a second beside it; with search = false it stays, and is refused."""
    clips = made(take, JOINED.format(to=3.4, more=""))
    start, stop = clips["off"].source_range
    assert start == round(2.4 * take.motion.rate)
    assert abs(stop - 1 - 3.4 * take.motion.rate) > 5
    assert gap_cm(clips, "off", "walk") < 0.01
    near = (stop - 1) / take.motion.rate
    exact = made(take, JOINED.format(to=near, more="search = false"))
    assert exact["off"].source_range == (start, stop)
    with pytest.raises(RecipeError, match=r"clip 'off': it ends in frame .* where the same foot comes down"):
        made(take, JOINED.format(to=near - 0.4, more="search = false"))


@pytest.mark.parametrize(
    ("text", "problem"),
    [
        (WHOLE.replace("from = 2.4", "from = 4.5"), r"no start in it, since its range begins in full motion"),
        (WHOLE.replace("to = 9.0", "to = 6.0"), r"no stop in it, since its range ends in full motion"),
        (WHOLE.replace("to = 9.0", "to = 2.9"), r"'walk': its feet do not come down often enough"),
        (JOINED.format(to=3.4, more="").replace('leads_to = "walk"', 'leads_to = "wlak"'), "no clip 'wlak'"),
        (JOINED.format(to=3.4, more="").replace("loop = true", ""), "'walk', which is no loop"),
        (JOINED.format(to=3.4, more="loop = true"), "loop and leads_to do not go together"),
        (WHOLE + "loop = true", "loop and in_parts do not go together"),
        (WHOLE + 'follows = "walk_loop"', "in_parts and follows do not go together"),
        ('naming = "{kind}_{n}"\n' + WHOLE.replace('name = "walk"\n', ""), "in parts needs a name"),
        (WHOLE + 'events = [{name = "bell", at = 5.6}]', "event 'bell' at 5.6 s lies in a cycle"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_by_name(take, text, problem):
    with pytest.raises(RecipeError, match=problem):
        made(take, text)


def test_events_of_a_gait_go_to_the_part_that_holds_them(take):
    clips = made(take, WHOLE + 'events = [{name = "bell", at = 2.7}, {name = "gong", at = 8.8}]')
    named = {
        name: [event.name for event in one.events if "Foot" not in event.name] for name, one in clips.items()
    }
    assert named == {"walk_start": ["bell"], "walk_loop": [], "walk_stop": ["gong"]}


def test_where_the_loop_fails_so_do_those_that_meet_it(take):
    lost: dict[str, str] = {}
    text = IDLE + JOINED.format(to=3.4, more="").replace("from = 4.0\nto = 8.0", "from = 4.0\nto = 4.6")
    clips = make_set(take, parse_recipe(text), failed=lambda name, problem: lost.update({name: str(problem)}))
    assert [one.name for one in clips] == ["calm"]
    assert set(lost) == {"walk", "off"}
    assert "'walk' was not made" in lost["off"]


def test_characters_share_the_frames(take):
    """A plan that is settled on the performer has the same ends when it is settled again."""
    recipe = parse_recipe(JOINED.format(to=3.4, more=""))
    plan = settle_seams([take], plan_clips([take], recipe))
    off = next(one for one in plan.drafts if one.name == "off")
    (clip,) = (one for one in make_set(take, recipe) if one.name == "off")
    ends = off.frames(len(take.motion), take.motion.rate)
    assert ends == clip.source_range
    assert (off.leads_to, off.search) == ("walk", False)


VARIANTS = "".join(
    f'[[variant]]\nof = "walk_{part}"\n{change}\n'
    for part in ("start", "loop", "stop")
    for change in ("mirror = true", "speed = 1.25")
)


def test_variants_meet_the_variants_of_the_loop(take):
    clips = made(take, "rate = 30\n" + ABOVE + IDLE + WHOLE + VARIANTS)
    for word in ("mirrored", "x1.25"):
        names = [f"walk_{part}_{word}" for part in ("start", "loop", "stop")]
        assert loop_of(clips[names[0]], "leads_to", tuple(clips.values())) is clips[names[1]]
        for pair in (("calm", names[0]), (names[0], names[1]), (names[1], names[2]), (names[2], "calm")):
            assert gap_cm(clips, *pair) < 0.02, pair
    joins = describe_joins(tuple(clips.values()), None)
    told = {(one["from"], one["to"]) for one in joins}
    assert ("walk_start_mirrored", "walk_loop_mirrored") in told
    assert ("walk_start_mirrored", "walk_loop") not in told
    phases = {one["to"]: one["phase"] for one in joins if one["to"].startswith("walk_loop")}
    assert abs(phases["walk_loop"] - phases["walk_loop_mirrored"]) == pytest.approx(0.5, abs=0.06)


def test_a_clip_that_was_changed_by_hand_meets_no_more(take):
    clips = made(take, ABOVE + IDLE + WHOLE)
    start = clips["walk_start"]
    turns = start.motion.rotations.copy()
    arm = start.body.require("leftUpperArm")
    turns[-1, arm] = quat.mul(turns[-1, arm], quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), 1.0))
    changed = {**clips, "walk_start": replace(start, motion=start.motion.with_rotations(turns))}
    told = {(one["from"], one["to"]) for one in describe_joins(tuple(changed.values()), None)}
    assert ("walk_start", "walk_loop") not in told
    assert ("calm", "walk_start") in told


def test_what_ends_in_the_pose_of_a_clip_that_is_no_loop_is_not_followed_from_its_end(take):
    """The neutral clip's first pose is that of the others' ends; where it ends itself it is another."""
    clips = made(take, ABOVE + IDLE.replace("loop = true", "loop = false") + WHOLE)
    joins = {(one["from"], one["to"]): one["gap_cm"] for one in describe_joins(tuple(clips.values()), None)}
    assert ("walk_stop", "calm") in joins
    assert ("calm", "walk_start") not in joins
    assert gap_cm(clips, "calm", "walk_start") > 0.05
    assert max(joins.values()) < 0.05


def test_a_difference_meets_nothing(take):
    more = '[[variant]]\nof = "walk_start"\nadditive_to = "walk_start"\n'
    clips = made(take, ABOVE + IDLE + WHOLE + more)
    names = {name for one in describe_joins(tuple(clips.values()), None) for name in (one["from"], one["to"])}
    assert names == {"calm", "walk_start", "walk_loop", "walk_stop"}


@pytest.fixture(scope="module")
def packed(tmp_path_factory):
    folder = tmp_path_factory.mktemp("joins")
    path = small_takes.write(folder, "day.bvh", start_and_stop("walk")[0])
    (folder / "r.toml").write_text("rate = 30\n" + ABOVE + IDLE + WHOLE)
    out = folder / "set"
    assert cli.main(["pack", str(path), "--recipe", str(folder / "r.toml"), "--out", str(out)]) == 0
    return out


def test_the_report_plays_the_chain_and_shows_the_joins(packed):
    said = json.loads((packed / "clips.json").read_bytes())
    assert find_chains(said) == (("walk_loop", (0, 1, 2, 2, 3, 0)),)
    page = (packed / "report.html").read_text(encoding="utf-8")
    assert 'data-chain="0,1,2,2,3,0"' in page
    table = page.partition('id="joins"')[2].partition("</table>")[0]
    assert table.count("<tr>") == 1 + 4
    assert table.count("leftFoot") == 2
    assert render_chains({**said, "joins": []}) == ""


DAMAGES = {
    "a clip": (lambda s: s["joins"][1].update({"to": "gone"}), "no such pair of clips"),
    "a gap": (lambda s: s["joins"][1].update(gap_cm=0.3), "joins and gaps say something else"),
    "a wide gap": (lambda s: s["joins"][1].update(gap_cm=0.8), "at most 0.5 are no jump"),
    "a join less": (lambda s: s["joins"].pop(1), "which the joins do not say"),
    "a false one": (
        lambda s: s["joins"].append({**s["joins"][0], "from": "walk_loop", "to": "calm"}),
        "the files' poses jump by",
    ),
}


@pytest.mark.parametrize("word", DAMAGES)
def test_verify_tells_joins_that_are_none(packed, tmp_path, word):
    change, problem = DAMAGES[word]
    folder = tmp_path / "set"
    shutil.copytree(packed, folder)
    assert damaged_sets.problems(folder) == []
    damaged_sets.relist(folder, change)
    assert any(problem in one for one in damaged_sets.problems(folder))
