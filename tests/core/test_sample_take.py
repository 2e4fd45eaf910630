"""The marsh take: a believable body, feet that stand, truth that is true, and files that hold just that."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import numpy as np
import pytest
from scipy.signal import find_peaks

from takemill.body.body_map import find_body_map, heading
from takemill.files.bvh import read_bvh
from takemill.maths import quat

SAMPLES = Path(__file__).parents[2] / "sample_blends"
sys.path.append(str(SAMPLES))

import ferry_take  # noqa: E402
from ferry_suit import ANKLE_M, HEEL, SIDES  # noqa: E402

FEET = {"leftFoot": "Left", "rightFoot": "Right"}


@pytest.fixture(scope="module")
def take():
    return ferry_take.build()


@pytest.fixture(scope="module")
def clean(take):
    return take[0]


@pytest.fixture(scope="module")
def model(clean):
    return clean.model()


@pytest.fixture(scope="module")
def truth(take):
    return take[2]


def segment(truth, name):
    found = next(part for part in truth["segments"] if part["name"] == name)
    return found, slice(round(found["start_s"] * truth["rate"]), round(found["end_s"] * truth["rate"]))


def point_of(clean, model, joint, offset):
    """Where a point of a joint (3,) is, (F, 3)."""
    rotations, positions = model
    place = clean.skeleton.index(joint)
    return positions[:, place] + quat.rotate(rotations[:, place], np.asarray(offset))


def sole(clean, model, side):
    """Heel, toe joint and toe tip of one foot (F, 3) each."""
    tip = clean.skeleton.tip_offsets[clean.skeleton.tip_joints.index(clean.skeleton.index(f"{side}Toes"))]
    return (
        point_of(clean, model, f"{side}Foot", HEEL),
        point_of(clean, model, f"{side}Toes", (0, 0, 0)),
        point_of(clean, model, f"{side}Toes", tip),
    )


def test_the_same_seed_gives_the_same_take(take):
    again = ferry_take.build()
    for one, other in zip(take[:2], again[:2], strict=True):
        np.testing.assert_array_equal(one.rotations, other.rotations)
        np.testing.assert_array_equal(one.root_translation, other.root_translation)
    assert take[2] == again[2]


def test_another_seed_gives_another_take(take):
    other = ferry_take.build(seed=3)
    assert np.abs(take[0].root_translation - other[0].root_translation).max() > 0.01
    assert take[2]["damage"]["faults"] != other[2]["damage"]["faults"]


def test_it_lasts_two_minutes_at_sixty_frames_a_second(take, truth):
    for motion in take[:2]:
        assert (len(motion), motion.rate) == (7200, 60.0)
    assert truth["segments"][-1]["end_s"] == 120.0


@pytest.mark.parametrize("foot", FEET)
def test_planted_feet_do_not_move(clean, model, truth, foot):
    heel, toe, tip = sole(clean, model, FEET[foot])
    contacts = truth["contacts"][foot]
    for points, ranges in ((heel, contacts["heel"]), (toe, contacts["toe"]), (tip, contacts["toe"])):
        for start, stop in ranges:
            assert np.ptp(points[start:stop], axis=0).max() < 1e-9


@pytest.mark.parametrize("foot", FEET)
def test_outside_its_contacts_a_foot_is_off_the_floor(clean, model, truth, foot):
    heel, _, tip = sole(clean, model, FEET[foot])
    planted = np.zeros(len(clean), bool)
    for start, stop in truth["contacts"][foot]["planted"]:
        planted[start:stop] = True
    air = ~planted
    assert 0.1 < air.mean() < 0.3
    lowest = np.minimum(heel[:, 2], tip[:, 2])
    assert (lowest[air] > 1e-4).mean() > 0.9  # the first and last frame of a swing may graze the floor


@pytest.mark.parametrize("side", SIDES)
def test_nothing_sinks_into_the_floor(clean, model, side):
    for points in sole(clean, model, side):
        assert points[:, 2].min() > -0.001


@pytest.mark.parametrize("side", SIDES)
def test_knees_bend_one_way_and_never_pop(clean, side):
    knee = clean.rotations[:, clean.skeleton.index(f"{side}LowerLeg")]
    bend = np.degrees(quat.log(knee))
    assert np.abs(bend[:, 1:]).max() < 1e-6  # a hinge about X
    assert bend[:, 0].min() > 5
    assert bend[:, 0].max() < 120
    speed = np.diff(bend[:, 0]) * clean.rate
    # Two open walks (tests/open_data.py) swing their knees at 336 to 361 degrees a second at the most; a
    # popping knee is many times faster.
    assert np.abs(speed).max() < 600
    assert np.abs(np.diff(speed)).max() * clean.rate < 15000


def test_the_body_moves_smoothly_but_for_its_strikes(clean, truth):
    turns = quat.angle_between(clean.rotations[:-1], clean.rotations[1:])
    speed = np.degrees(turns) * clean.rate
    quiet = np.ones(len(speed), bool)
    for name in ("strike_straight", "strike_hook"):
        quiet[segment(truth, name)[1]] = False
    assert speed[quiet].max() < 700
    assert speed[~quiet].max() > 900


def test_every_segment_starts_and_ends_in_the_calm_pose(clean, truth):
    facing = heading(clean, find_body_map(clean.skeleton))
    local = clean.rotations.copy()
    local[:, 0] = quat.mul(quat.from_yaw(-facing), local[:, 0])
    for part in truth["segments"]:
        for second in (part["start_s"], part["end_s"]):
            frame = min(round(second * 60), len(clean) - 1)
            apart = np.degrees(quat.angle_between(local[frame], local[0]))
            assert apart.max() < 5, (part["name"], second, clean.skeleton.names[int(apart.argmax())])


def test_the_walks_have_the_period_that_the_truth_states(clean, model, truth):
    for name in ("walk_causeway", "walk_home"):
        part, _ = segment(truth, name)
        start, stop = (round(second * 60) for second in part["regular_s"])
        for side in SIDES:
            height = model[1][start:stop, clean.skeleton.index(f"{side}Foot"), 2]
            peaks, _ = find_peaks(height, prominence=0.05)
            assert part["cycles"] - 1 <= len(peaks) <= part["cycles"]
            assert np.diff(peaks).mean() / 60 == pytest.approx(part["period_s"], abs=1 / 60)


def test_it_breathes_once_in_four_seconds(clean, truth):
    for name in ("idle_mooring", "idle_dusk"):
        _, frames = segment(truth, name)
        chest = quat.log(clean.rotations[frames, clean.skeleton.index("UpperChest")])[:, 0]
        power = np.abs(np.fft.rfft((chest - chest.mean()) * np.hanning(len(chest)), 1 << 15))
        period = 1 / np.fft.rfftfreq(1 << 15, 1 / 60)[power.argmax()]
        assert period == pytest.approx(4.0, abs=0.3)
        assert len(chest) >= 600


def test_the_turns_turn_as_far_as_stated(clean, truth):
    facing = np.degrees(heading(clean, find_body_map(clean.skeleton)))
    for name, angle in (("turn_about", 180.0), ("turn_right", -90.0)):
        part, frames = segment(truth, name)
        assert part["angle_deg"] == angle
        assert facing[frames.stop] - facing[frames.start] == pytest.approx(angle, abs=2.5)


def test_strikes_are_fast_reaches_that_stop_where_stated(clean, model, truth):
    for name in ("strike_straight", "strike_hook"):
        part, frames = segment(truth, name)
        hand = model[1][frames, clean.skeleton.index(part["hand"])] - model[1][frames, 0]
        speed = np.linalg.norm(np.gradient(hand, 1 / 60, axis=0), axis=-1)
        contact = round(part["contact_s"] * 60) - frames.start
        assert speed.max() > 4.0
        assert 0 < contact - speed.argmax() < 9
        assert speed[contact + 2] < 0.25 * speed.max()


def test_the_duck_goes_down_and_comes_up(clean, truth):
    _, frames = segment(truth, "duck_branch")
    height = clean.root_translation[frames, 2]
    assert height[[0, -1]].min() - height.min() > 0.3


def test_the_performer_faces_minus_y_with_feet_hip_wide(clean, model):
    assert np.degrees(heading(clean, find_body_map(clean.skeleton))[0]) == pytest.approx(0, abs=2)
    left, right = (model[1][0, clean.skeleton.index(f"{side}Foot")] for side in SIDES)
    assert left[0] - right[0] == pytest.approx(0.19, abs=1e-9)
    assert left[2] == pytest.approx(ANKLE_M, abs=1e-12)


def test_the_damage_is_where_the_truth_says(take, truth):
    clean, recorded, _ = take
    back = quat.from_yaw(-np.radians(truth["damage"]["heading_deg_per_min"] / 60) * np.arange(7200) / 60)
    rotations = recorded.rotations.copy()
    rotations[:, 0] = quat.mul(back, rotations[:, 0])
    wrong = np.degrees(quat.angle_between(clean.rotations, rotations))
    faulty = np.zeros(wrong.shape, bool)
    for fault in truth["damage"]["faults"]:
        joint, place = clean.skeleton.index(fault["joint"]), slice(fault["start"], fault["stop"])
        faulty[place, joint] = True
        if fault["kind"] == "spike":
            assert 1 <= fault["stop"] - fault["start"] <= 3
            assert 8 <= fault["amount_deg"] <= 35
            np.testing.assert_allclose(wrong[place, joint], fault["amount_deg"], atol=2.0)
        else:
            assert 4 <= fault["stop"] - fault["start"] <= 15
            held = recorded.rotations[fault["start"] - 1 : fault["stop"], joint]
            if joint:  # the hips keep drifting
                assert np.ptp(held, axis=0).max() == 0
    assert wrong[~faulty].max() < 2.0
    # Three axes of the stated standard deviation: the mean square of the turn is three times its square.
    assert np.sqrt((wrong[~faulty] ** 2).mean() / 3) == pytest.approx(truth["damage"]["white_deg"], rel=0.02)
    assert {fault["kind"] for fault in truth["damage"]["faults"]} == {"spike", "frozen"}


def test_the_recording_floats_and_drifts_as_stated(take, truth):
    clean, recorded, _ = take
    lift = recorded.root_translation[:, 2] - clean.root_translation[:, 2]
    np.testing.assert_allclose(lift, truth["damage"]["floor_m"], atol=1e-9)
    steps = [np.linalg.norm(np.diff(m.root_translation[:, :2], axis=0), axis=1) for m in (clean, recorded)]
    assert steps[1].sum() == pytest.approx(steps[0].sum(), rel=0.05)
    ends = recorded.root_translation[-1, :2] - clean.root_translation[-1, :2]
    assert 0.05 < np.linalg.norm(ends) < 1.5


def test_the_files_hold_this_take(take):
    """The committed BVH and truth are what the script builds: rebuild them after a change."""
    _, recorded, truth = take
    motion, layout = read_bvh(SAMPLES / "marsh_take.bvh")
    assert motion.skeleton.names == recorded.skeleton.names
    assert (layout.unit_m, layout.up, motion.rate, len(motion)) == (0.01, "Y", 60.0, 7200)
    assert np.abs(motion.root_translation - recorded.root_translation).max() < 0.51e-4
    # Three angles rounded to 0.01 degrees each.
    assert np.degrees(quat.angle_between(motion.rotations, recorded.rotations)).max() < 0.016
    np.testing.assert_allclose(motion.skeleton.rest_tips, recorded.skeleton.rest_tips, atol=1e-9)
    assert json.loads((SAMPLES / "marsh_truth.json").read_text(encoding="utf-8")) == truth


def test_the_body_map_finds_the_parts_that_the_truth_names(take, truth):
    assert find_body_map(take[1].skeleton).names(take[1].skeleton) == truth["body"]
