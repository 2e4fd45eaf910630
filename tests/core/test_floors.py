"""Floors at several heights: found under the feet, held in repair, kept in clips."""

from __future__ import annotations

import json
from dataclasses import replace
from functools import cache

import numpy as np
import pytest

import corrupt
import ground_takes
import open_data
import synthetic
from clean_takes import at_rate, open_motions
from damaged_sets import problems, relist
from ground_takes import Ground
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.mirror import mirror_contacts
from takemill.feet import floors
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.floors import find_floors
from takemill.feet.leg_ik import place_ankles
from takemill.feet.path_drift import path_drift
from takemill.feet.pin import pin_feet
from takemill.feet.soles import foot_points
from takemill.files import glb
from takemill.fit.fit import FitSettings
from takemill.health.check import check
from takemill.health.finding import floor_findings
from takemill.maths import filters, series
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.fit_take import fit_take
from takemill.pipeline.prepare_take import PreparedTake, prepare_take
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import parse_recipe
from takemill.repair.repair import RepairSettings, repair
from takemill.sets import clip_set

RATE = 60.0
NOISE = corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0.03)
KINDS = ("up", "down", "box", "slope", "slope down")


@cache
def walk(source: str) -> tuple[Motion, BodyMap]:
    """A walk on a level floor at 0."""
    if source == "synthetic":
        motion = synthetic.walk(rate=RATE, steps=8).motion
        return motion, BodyMap.from_names(motion.skeleton, synthetic.parts())
    motion = at_rate(open_data.repeated(open_data.humanoid3d("walk")[0], 4), RATE)
    body = find_body_map(motion.skeleton)
    down = [0.0, 0.0, find_contacts(motion, body).floor_m]
    return motion.with_translation(0, motion.root_translation - down), body


@cache
def ground(kind: str, source: str = "synthetic") -> Ground:
    motion, body = walk(source)
    return {
        "up": lambda: ground_takes.stairs(motion, body),
        "down": lambda: ground_takes.stairs(motion, body, -0.16),
        "box": lambda: ground_takes.box(motion, body),
        "slope": lambda: ground_takes.slope(motion, body),
        "slope down": lambda: ground_takes.slope(motion, body, -7.0),
    }[kind]()


def slide_cm_s(motion: Motion, body: BodyMap, planted: np.ndarray) -> float:
    """How fast the stiller end of standing feet goes over the floor, but for 0.05 s at the ends."""
    speed = np.linalg.norm(series.derivative(foot_points(motion, body)[..., :2], motion.rate), axis=-1)
    return 100 * float(speed.min(axis=-1)[series.eroded(planted, 3)].mean())


@pytest.mark.parametrize("source", ["synthetic", "open"])
@pytest.mark.parametrize("kind", KINDS)
def test_floors_are_found_within_a_centimetre(kind: str, source: str) -> None:
    """Each stance by its construction; also once a suit's noise, and 3 cm of height, are repaired."""
    one = ground(kind, source)
    raw = corrupt.corrupt(one.motion, 1, NOISE).motion
    repaired, _ = repair(raw, one.body, RepairSettings(profile="suit"))
    for motion in (one.motion, repaired):
        found = find_contacts(motion, one.body)
        errors = ground_takes.level_errors(one, found)
        assert len(errors) > 5
        assert np.abs(errors).max() < 0.01
        f1 = 2 * (found.planted & one.planted).sum() / (found.planted.sum() + one.planted.sum())
        assert f1 > 0.97
    risen = (repaired.root_translation - one.motion.root_translation)[:, 2]
    assert np.ptp(risen) < 0.04, "nothing is pulled to height 0"
    # The open walk's own feet slide by 2.5 cm/s, and roll longer than they stand.
    slid = slide_cm_s(repaired, one.body, find_contacts(repaired, one.body).planted)
    assert slid < (0.1 if source == "synthetic" else 1.2)


@pytest.mark.parametrize("kind", ["up", "down", "box"])
def test_a_floor_near_height_0_stays_there(kind: str) -> None:
    """Raised by 3 cm, as suits are off by: that is taken out, and what lies lower or higher stays so."""
    one = ground(kind)
    raised = one.motion.with_translation(0, one.motion.root_translation + np.array([0.0, 0.0, 0.03]))
    repaired, findings = repair(raised, one.body, RepairSettings(profile="suit"))
    (offset,) = [found for found in findings if found.kind == "floor_offset"]
    assert offset.amount == pytest.approx(30, abs=5)
    found = find_contacts(repaired, one.body)
    assert np.round(found.levels_m(), 2).tolist() == sorted({round(x, 2) for x in one.level[one.planted]})


@pytest.mark.parametrize("off_m", [0.4, -0.4])
def test_where_no_floor_is_near_height_0_the_lowest_goes_there(off_m: float) -> None:
    """The box's top is 0.1 m below 0 in the one take: that is too far off."""
    one = ground("box")
    raised = one.motion.with_translation(0, one.motion.root_translation + np.array([0.0, 0.0, off_m]))
    assert find_contacts(raised, one.body).floor_m == pytest.approx(off_m, abs=0.005)


def test_a_foot_under_its_next_tread_does_not_stand_on_it() -> None:
    """The open walk on stairs, cut as a foot leaves: too short a stance to show its own floor."""
    one = ground("up", "open")
    found = find_contacts(one.motion.slice(39, len(one.motion)), one.body)
    assert (found.planted != one.planted[39:]).sum() < 5


def test_feet_that_float_at_the_top_of_a_jump_show_no_floor() -> None:
    """Slow for 0.15 s, 0.17 m up, on its way ahead, under hips that fall; where they do not, it stands."""
    rate, gravity, flight_s = 120.0, 9.81, 0.375
    t = (np.arange(120) - 60) / rate
    height = np.maximum(gravity * (flight_s**2 / 4 - t**2) / 2, 0.0)
    points = np.zeros((120, 2, 2, 3))
    points[..., 1] = np.array([0.0, -0.15]) - np.clip(2 * t, -0.4, 0.4)[:, None, None]
    points[..., 2] = height[:, None, None]
    slow = np.tile(((np.abs(t) > 0.2) | (np.abs(t) < 0.075))[:, None, None], (1, 2, 2))
    hips = np.stack([0 * t, -np.clip(2 * t, -0.4, 0.4), 0.9 + height], axis=-1)
    assert find_floors(points, slow, hips, 0.8, rate) is None
    hips[np.abs(t) < 0.1, 2] = 1.07
    assert find_floors(points, slow, hips, 0.8, rate) is not None


def test_a_suit_that_puts_each_stance_on_one_floor_is_seen_through() -> None:
    """The body lowered so that its lower foot stands at 0, as by a suit that knows one floor."""
    one = ground("up")
    sunk = np.where(one.planted, one.level, np.inf).min(axis=1)
    sunk = filters.moving_mean(filters.moving_mean(sunk, 3), 3)
    flat = one.motion.with_translation(0, one.motion.root_translation - sunk[:, None] * [0.0, 0.0, 1.0])
    assert np.ptp(flat.root_translation[:, 2]) < 0.2
    repaired, _ = repair(flat, one.body, RepairSettings(profile="suit", pin=False))
    climbed = repaired.root_translation[-1, 2] - repaired.root_translation[0, 2]
    assert climbed == pytest.approx(0.96, abs=0.05)


def test_open_motions_stand_on_one_floor() -> None:
    """Kicks, spins, a roll, bodies that get up: clean and with a suit's noise and drift."""
    for name, motion in open_motions().items():
        body = find_body_map(motion.skeleton)
        damage = corrupt.Damage(spikes_per_min=0, frozen_per_min=0)
        for one in (motion, corrupt.corrupt(motion, 1, damage).motion):
            assert find_contacts(one, body).rise_m is None, name


def test_a_foot_that_is_held_up_shows_no_floor() -> None:
    """Standing on the right foot, the left one 0.25 m up and still for two seconds."""
    motion = synthetic.idle(rate=RATE, duration_s=5.0).motion
    body = BodyMap.from_names(motion.skeleton, synthetic.parts())
    t = np.arange(len(motion)) / RATE
    up = np.clip(np.minimum(t - 0.8, 4.2 - t) / 0.7, 0, 1)
    ankle = motion.model()[1][:, body.require("leftFoot")]
    held = place_ankles(
        motion, body, {"leftFoot": ankle + 0.25 * (up**2 * (3 - 2 * up))[:, None] * [0, -0.3, 1]}
    )
    found = find_contacts(held, body)
    assert found.rise_m is None
    assert not found.planted[int(2 * RATE) : int(3 * RATE), 0].any()


def test_a_clean_take_on_stairs_leaves_repair_as_it_came() -> None:
    """Also one whose floors all lie 0.2 m too high: which of them is height 0 the recording knows best."""
    one = ground("up")
    for up_m in (0.0, 0.2):
        clean = one.motion.with_translation(0, one.motion.root_translation + np.array([0.0, 0.0, up_m]))
        repaired, findings = repair(clean, one.body)
        assert not findings
        assert np.array_equal(repaired.root_translation, clean.root_translation)
        assert np.abs(repaired.rotations - clean.rotations).max() < 1e-12


def test_the_check_says_at_which_heights_feet_stand() -> None:
    for kind, said in (("box", "0, 300 mm"), ("up", "from 0 to 960 mm")):
        one = ground(kind)
        health = check(one.motion, one.body)
        (found,) = [found for found in health.findings if found.kind == "uneven_floor"]
        assert found.message == f"the feet stand at several heights: {said}"
        assert (found.start, found.stop, found.unit) == (0, len(one.motion), "mm")
        assert health.measures["floor_error_mm"] < 3
        assert health.measures["path_drift_cm_min"] < 20
    assert not [one for one in check(*walk("synthetic")).findings if one.kind == "uneven_floor"]


def test_contacts_keep_their_floors_when_they_are_cut_sampled_mirrored_and_scaled() -> None:
    one = ground("up")
    found = find_contacts(one.motion, one.body)
    assert found.rise_m is not None
    for part, wanted in (
        (found.sliced(100, 200), found.rise_m[100:200]),
        (found.sampled(np.arange(0, 300, 2.0), 30.0), found.rise_m[:300:2]),
        (found.at_frames(np.array([5, 300, 5])), found.rise_m[[5, 300, 5]]),
        (mirror_contacts(found), found.rise_m[:, ::-1]),
        (found.scaled(1.5), 1.5 * found.rise_m),
    ):
        assert part.rise_m is not None
        assert np.array_equal(part.rise_m, wanted)
    for foot in found.feet:
        assert len(found.levels_of(foot)) == len(found.ranges(foot))
    assert (
        sorted({round(h, 2) for foot in found.feet for h in found.levels_of(foot)})
        == np.round(found.levels_m(), 2).tolist()
    )
    level = replace(found, rise_m=None, floor_m=0.1)
    assert level.scaled(2.0) is level
    assert set(level.levels_of("leftFoot")) == {0.1}
    assert level.over_floor(np.ones((2, 2, 2, 3))).max() == 1
    with pytest.raises(InputError, match="rise_m"):
        replace(found, rise_m=found.rise_m[:-1])


@pytest.mark.parametrize(
    ("count", "text"), [(2, "0, 200 mm"), (4, "0, 200, 400, 600 mm"), (5, "from 0 to 800 mm")]
)
def test_a_few_heights_are_listed_and_many_by_the_lowest_and_the_highest(count: int, text: str) -> None:
    """One foot stands for ten frames on each tread of 20 cm."""
    planted = np.tile(np.arange(12) < 10, count)[:, None]
    rise = np.repeat(0.2 * np.arange(count), 12)[:, None, None] * np.ones((1, 1, 2))
    (found,) = floor_findings(Contacts(60.0, ("leftFoot",), planted, planted, 0.0, rise), len(planted))
    assert found.message.endswith(f"the feet stand at several heights: {text}")
    assert found.amount == 200 * (count - 1)


@pytest.mark.parametrize("kind", ["up", "slope"])
def test_drift_and_pins_see_uneven_floors_as_level_ones(kind: str) -> None:
    """What slides on stairs is taken out as on a floor; what stands is left where it stands."""
    one = ground(kind)
    truth = find_contacts(one.motion, one.body)
    points = truth.over_floor(foot_points(one.motion, one.body))
    planted = np.stack([truth.heel, truth.toe], axis=-1)
    assert np.abs(path_drift(points, planted, RATE)[:, :2]).max() < 0.02
    still, kept = pin_feet(one.motion, one.body, truth)
    assert kept.planted.sum() > 0.9 * truth.planted.sum()
    assert np.abs(still.root_translation - one.motion.root_translation).max() < 0.01
    low = truth.over_floor(foot_points(still, one.body))[..., 2].min(axis=-1) - truth.floor_m
    assert np.abs(low[series.eroded(kept.planted, 3)]).max() < 0.004


def test_a_level_floor_has_no_rise() -> None:
    nothing = Contacts(RATE, ("leftFoot",), np.ones((3, 1), bool), np.ones((3, 1), bool), 0.2)
    assert nothing.rise_m is None
    assert nothing.levels_m().tolist() == [0.2]


CLIPS = """
[repair]
pin = false

[[clip]]
name = "climb"
take = "stairs"
from = 0
to = 7.4
kind = "locomotion"
root_motion = "keep"
straight = true

[[clip]]
name = "as_it_was"
take = "stairs"
from = 0
to = 7.4
kind = "other"
rate = 30
"""


@cache
def packed() -> tuple[PreparedTake, list[FinishedClip]]:
    """A take on stairs, and clips of all of it: on a path made straight, its feet pinned; at 30 fps."""
    one, recipe = ground("up"), parse_recipe(CLIPS)
    take = prepare_take("stairs", one.motion, one.body, recipe)
    return take, list(make_set([take], recipe))


def test_clips_keep_feet_on_their_treads() -> None:
    """Pinned on a straight path, resampled, mirrored: feet stand on the treads that they stood on."""
    one, (_, clips) = ground("up"), packed()
    for clip in clips:
        contacts = clip.contacts
        assert contacts.planted.mean() > 0.4
        low = foot_points(clip.world_motion, clip.body)[..., 2].min(axis=-1)
        level = one.level[:: round(RATE / clip.motion.rate)][: len(low)]
        stands = series.eroded(contacts.planted, 2)
        assert np.abs((low - level)[stands]).max() < 0.01


def test_a_set_says_where_feet_stand_and_verify_looks_there(tmp_path) -> None:
    take, clips = packed()
    folder, base = tmp_path / "set", glb.skeleton_glb(clips[0].motion.skeleton)
    clip_set.write_clip_set(folder, base, "set", [take], clips, parse_recipe(CLIPS))
    said = json.loads((folder / "clips.json").read_text())["clips"]
    for clip in said:
        assert {round(h, 1) for heights in clip["floors_m"].values() for h in heights} == {
            0.0, 0.2, 0.3, 0.5, 0.6, 0.8, 1.0,
        }  # fmt: skip
        assert {foot: len(each) for foot, each in clip["floors_m"].items()} == {
            foot: len(each) for foot, each in clip["contacts"].items()
        }
    assert not problems(folder)
    relist(folder, lambda said: said["clips"][0].update(floors_m=None))
    assert any("m above the floor" in text for text in problems(folder))
    relist(folder, lambda said: said["clips"][1]["floors_m"].update(leftFoot=[0.0]))
    assert any("not as many as its contacts" in text for text in problems(folder))


def test_a_taller_character_climbs_higher_treads() -> None:
    """Fitted to a body of 1.3 times the size: floors and feet go with the legs."""
    take, _ = packed()
    target = synthetic.skeleton(1.3)
    fitted = fit_take(take, target, BodyMap.from_names(target, synthetic.parts()), FitSettings())
    assert fitted.contacts.levels_m()[-1] == pytest.approx(1.3 * 0.96, abs=0.01)
    low = foot_points(fitted.motion, fitted.body)[..., 2].min(axis=-1)
    stands = series.eroded(fitted.contacts.planted, 3)
    assert fitted.contacts.rise_m is not None
    assert np.abs((low - fitted.contacts.rise_m.min(axis=-1))[stands]).max() < 0.015


def carries(
    aside_m: float = 0.0,
    height_m: float = 0.95,
    stands_s: float = 1.0,
    gained_m_s2: float = 0.0,
    other_m: float = np.inf,
    cut: bool = False,
) -> bool:
    """Whether a foot at height 0 carries hips, beside another that stands at some height; legs of a metre."""
    count = round(stands_s * RATE)
    one = floors._Stance(0, 0, count, cut, 0.0, np.zeros((2, 3)))
    stands = np.tile([0.0, other_m], (count, 1))
    hips = np.tile([aside_m, 0.0, height_m], (count, 1))
    speed = gained_m_s2 * np.arange(count) / RATE
    return floors._carries(one, stands, np.zeros((count, 2, 2, 3)), hips, speed, 1.0, RATE)


@pytest.mark.parametrize(
    ("within", "beyond"),
    [
        ({"height_m": 0.91}, {"height_m": 0.89}),  # a folded leg
        ({"aside_m": 0.39}, {"aside_m": 0.41}),  # hips not over the foot
        ({"aside_m": -0.39}, {"aside_m": -0.41}),
        ({"height_m": 0.95}, {"height_m": -0.95}),  # hips below the foot
        ({"stands_s": 0.1}, {"stands_s": 0.08}),  # a tenth of a second
        ({"stands_s": 2 / RATE, "cut": True}, {"stands_s": 2 / RATE}),  # but for what the take's end cuts off
        ({"gained_m_s2": -0.49 * 9.81}, {"gained_m_s2": -0.51 * 9.81}),  # a body that falls
        ({"other_m": -0.039}, {"other_m": -0.041}),  # a lower foot stands
    ],
)
def test_a_foot_carries_within_each_limit_and_not_beyond(within, beyond) -> None:
    assert carries(**within)
    assert not carries(**beyond)


def test_levels_that_are_nearly_the_same_are_their_mean_over_time() -> None:
    """Legs of a metre; stances of 10, 30 and 20 frames; up to 2 cm apart, one by one."""
    stances = [
        floors._Stance(0, start, stop, False, 0.0, np.zeros((2, 3)))
        for start, stop in ((0, 10), (20, 50), (60, 80))
    ]
    joined = floors._join_levels(np.array([0.019, 0.0, 0.1]), stances, 1.0)
    np.testing.assert_allclose(joined, [0.00475, 0.00475, 0.1])
    parted = floors._join_levels(np.array([0.021, 0.0, 0.1]), stances, 1.0)
    np.testing.assert_allclose(parted, [0.021, 0.0, 0.1])
