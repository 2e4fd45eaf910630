"""Verdicts on takes: each faulty sensor is named, no clean take is; and what a session tells beside them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

import corrupt
import synthetic
from suit_faults import NONE, with_faults
from suit_takes import SuitTake, suit_take
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.recipe.recipe import Recipe
from takemill.watch.sensor_words import SENSORS, sensor_word
from takemill.watch.session import UnreadTake, judge_session
from takemill.watch.take_verdict import AGAIN, KEEP, LOOK, JudgedTake, SensorFacts, judge_take_alone
from takemill.watch.trends import find_trends, trend_score
from wobble import noisy

NOISE = replace(NONE, noise_deg=0.25)
FAULTS = {
    "slip 10": (replace(NOISE, slip_deg=10.0), LOOK, "'s strap slipped at 0:"),
    "slip 20": (replace(NOISE, slip_deg=20.0), LOOK, "'s strap slipped at 0:"),
    "slip 40": (replace(NOISE, slip_deg=40.0), AGAIN, "'s strap slipped at 0:"),
    "lost 0.3": (replace(NOISE, dropout_s=0.3), LOOK, " was lost once, 0.3 s in all"),
    "lost 2": (replace(NOISE, dropout_s=2.0), AGAIN, " was lost once, 2.0 s in all"),
}


def judged(motion: Motion, body=None) -> JudgedTake:
    return judge_take_alone("take", motion, body or find_body_map(motion.skeleton), Recipe())


def word_of(take: SuitTake, joint: int) -> str:
    return sensor_word(take.motion.skeleton.names[joint], take.motion.skeleton, take.body)


@pytest.mark.parametrize(
    ("seed", "label"), [(1, "slip 10"), (2, "slip 40"), (3, "slip 20"), (1, "lost 0.3"), (2, "lost 2")]
)
def test_each_sensor_that_slips_or_is_lost_between_two_poses_is_named(seed, label):
    """In punches and kicks, where slips do not show by themselves (more: `suit_table.py named`)."""
    take = suit_take("fight")
    faults, verdict, said = FAULTS[label]
    damaged = with_faults(take.motion, take.body, seed, faults, take.inner)
    worst = judged(damaged.motion, take.body).problems[0]
    assert word_of(take, (damaged.slip or damaged.dropout)[0]) in worst.text
    assert said in worst.text
    assert worst.verdict == verdict


@pytest.mark.parametrize("name", ["walk", "fight"])
def test_no_clean_take_is_more_than_kept(name):
    take = suit_take(name)
    clean = with_faults(take.motion, take.body, 1, NOISE, take.inner)
    assert judged(clean.motion, take.body).problems == ()


def test_sensors_that_turn_are_told_and_that_nobody_knows_how_far():
    """8 degrees a minute in 19 s, which a repair knows between two poses; and 60, without any pose."""
    take = suit_take("walk")
    slow, fast = (
        with_faults(take.motion, take.body, 1, replace(NOISE, drift_deg_per_min=rate), take.inner).motion
        for rate in (8.0, 60.0)
    )
    (turned,) = judged(slow, take.body).problems
    assert turned.verdict == LOOK
    who, _, how_far = turned.text.partition(" turned about the vertical, ")
    assert (who, how_far) == ("left shin, left foot, right hand and 4 more", "by up to 6 degrees")
    problems = judged(fast.slice(take.start, take.stop), take.body).problems
    (unknown,) = (one for one in problems if "is known to" in one.text)
    assert unknown.text.startswith("how far sensors turned about the vertical is known to ")
    assert unknown.text.endswith(" degrees only: hold a T or A pose at both ends")


def test_a_heading_that_drifts_is_told():
    walk = synthetic.walk(steps=30).motion
    damage = corrupt.Damage(spikes_per_min=0, frozen_per_min=0)
    texts = {one.text: one.verdict for one in judged(corrupt.corrupt(walk, 2, damage).motion).problems}
    (text,) = (text for text in texts if text.startswith("the heading drifts by "))
    assert texts[text] == LOOK


def test_frozen_and_dead_sensors_are_named_with_how_often_and_how_long():
    walk = noisy(synthetic.walk(rate=60.0, steps=10).motion, 1)
    body = find_body_map(walk.skeleton)
    assert judged(walk).problems == ()
    shin = body.require("leftLowerLeg")
    rotations = walk.rotations.copy()
    for start in (60, 130, 200):
        rotations[start : start + 9, shin] = rotations[start, shin]
    (problem,) = judged(walk.with_rotations(rotations)).problems
    assert (problem.verdict, problem.text) == (LOOK, "left shin froze 3 times, 0.4 s in all")
    rotations = walk.rotations.copy()
    rotations[60:69, shin] = rotations[60, shin]
    once = replace(judged(walk.with_rotations(rotations)), name="once")
    (verdict,) = judge_session([once], {}).verdicts
    assert (verdict.verdict, verdict.reason) == (KEEP, "left shin froze once, 0.1 s in all")
    rotations = walk.rotations.copy()
    rotations[100:170, shin] = rotations[100, shin]
    texts = [one.text for one in judged(walk.with_rotations(rotations)).problems if one.verdict == AGAIN]
    assert texts == ["left shin froze once, 1.1 s in all"]
    rotations = walk.rotations.copy()
    rotations[100:, shin] = rotations[100, shin]
    first = judged(walk.with_rotations(rotations)).problems[0]
    assert (first.verdict, first.text) == (AGAIN, "left shin died at 0:01")


def of_session(
    name: str, skeleton, posed=(True, True), heading_deg: float = 0.0, sensors=(), asked: bool = False
) -> JudgedTake:
    """A take without problems of its own."""
    placed = frozenset({0})
    heading = np.radians(heading_deg)
    return JudgedTake(name, 9.0, skeleton, placed, (), dict(sensors), posed, heading, {}, (), asked)


def said(takes, shots=()) -> list[tuple[str, str]]:
    return [(one.verdict, one.reason) for one in judge_session(takes, dict(shots)).verdicts]


KEPT = (KEEP, "nothing was found")


def test_a_take_is_held_against_those_before_it():
    walk = synthetic.walk(steps=2).motion
    same = [of_session(f"t{k}", walk.skeleton, heading_deg=2.0 * k) for k in range(4)]
    assert said(same) == [KEPT] * 4
    later = of_session("t4", walk.skeleton, heading_deg=9.0)
    assert said([*same, later])[-1] == (LOOK, "heading turned 9 degrees since t0")
    lacks = of_session("t4", walk.skeleton, posed=(True, False), heading_deg=3.0)
    assert said([*same, lacks])[-1] == (LOOK, "no calibration pose at the end")
    first = of_session("t0", walk.skeleton, posed=(True, False), asked=True)
    assert said([first])[-1] == (LOOK, "no calibration pose at the end")
    assert said([of_session(f"t{k}", walk.skeleton, posed=(False, False)) for k in range(5)]) == [KEPT] * 5
    longer = replace(walk.skeleton, rest_translation=1.1 * walk.skeleton.rest_translation)
    moved = walk.skeleton.rest_translation.copy()
    moved[0] += 0.3  # where the root rests says nothing: the motion places it
    placed = replace(walk.skeleton, rest_translation=moved)
    verdicts = said([of_session("odd", longer), *same, of_session("placed", placed)])
    assert verdicts[0][0] == LOOK
    assert verdicts[0][1].startswith("another skeleton than t0: joint")
    assert verdicts[1:] == [KEPT] * 5
    assert said([UnreadTake("bad", "no header"), *same])[0] == (AGAIN, "it cannot be read: no header")


def test_headings_without_a_mark_are_nobodys_fault():
    skeleton = synthetic.walk(steps=2).motion.skeleton
    takes = [of_session(f"t{k}", skeleton, heading_deg=40.0 * k) for k in range(6)]
    assert said(takes) == [KEPT] * 6


def test_trends_are_told_by_the_score_of_kendall():
    """Beside scipy.stats.kendalltau, whose p-value goes by the same score without its step to whole ranks."""
    rng = np.random.default_rng(4)
    for count in (8, 30):
        values = np.round(rng.normal(size=count) + 0.05 * np.arange(count), 1)
        score = trend_score(values)
        reference = stats.kendalltau(np.arange(count), values, method="asymptotic").pvalue
        assert 2 * stats.norm.sf(abs(score)) == pytest.approx(reference, rel=0.15)
    assert trend_score(np.ones(9)) == 0.0


def test_a_sensor_that_grows_worse_is_shown_and_steady_ones_are_not():
    rng = np.random.default_rng(2)

    def facts(k: int) -> dict[str, SensorFacts]:
        noise = {part: 0.25 + 0.02 * rng.standard_normal() for part in SENSORS}
        noise["rightLowerArm"] += max(0.05 * (k - 150), 0.0)  # of late
        lost = 0.002 * k * (1 + 0.2 * rng.standard_normal())
        return {
            part: SensorFacts(lost if part == "leftFoot" else 0.0, noise[part], np.nan) for part in SENSORS
        }

    takes = [facts(k) for k in range(200)]
    found = find_trends(takes)
    assert [(one.limb, one.sensor, one.what) for one in found] == [
        ("left leg", "left foot", "frames lost"),
        ("right arm", "right forearm", "noise"),
    ]
    assert len(found[0].values) == 200
    assert all(find_trends(takes[:k]) == () or k > 5 for k in range(6))
    steady = [facts(0) for _ in range(200)]
    assert not any(find_trends(steady[:k]) for k in range(6, 200, 7))


def test_the_shot_list_lacks_what_is_not_there_good_and_of_its_kind():
    skeleton = synthetic.walk(steps=2).motion.skeleton
    shots = {"jab": "strike", "walk": "locomotion", "roll": "", "hook": "strike", "cross": "strike"}
    jab = replace(of_session("Jab_03", skeleton), kinds={"strike": 2})
    day = replace(of_session("day", skeleton), kinds={"locomotion": 1}, names=("walk",))
    hook = replace(of_session("hook", skeleton), kinds={"idle": 1})
    jabber = replace(of_session("crossing", skeleton), kinds={"strike": 1})
    session = judge_session([jab, day, hook, jabber, UnreadTake("roll 1", "broken")], shots)
    assert [(one.name, one.why) for one in session.lacking] == [
        ("roll", "roll 1 is no good"), ("hook", "hook holds no strike"), ("cross", ""),
    ]  # fmt: skip
    assert session.shots == 5


def test_the_kinds_of_a_take_are_looked_for_where_a_shot_list_asks():
    walk = synthetic.walk(steps=10).motion
    take = judge_take_alone("walk", walk, find_body_map(walk.skeleton), Recipe(), with_kinds=True)
    assert take.kinds["locomotion"] >= 1
    assert judged(walk).kinds == {}
