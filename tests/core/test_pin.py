from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import corrupt
import open_data
import reference
import synthetic
from sliding import sliding_cm_s
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map, heading
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet import heading_drift, path_drift, pin_course, pin_legs
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.leg_ik import place_ankles
from takemill.feet.pin import PinSettings, pin_feet
from takemill.feet.pin_legs import Stand, bend_legs, find_leg
from takemill.feet.soles import foot_points
from takemill.maths import filters, quat, series
from takemill.repair.repair import RepairSettings, repair


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def standing_speed(motion: Motion, contacts: Contacts) -> float:
    """The mean speed, metres a second, of a planted foot's stiller end; landing and leaving left out."""
    points = foot_points(motion, body_of(motion))
    speed = np.linalg.norm(series.derivative(points, motion.rate), axis=-1)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    return float(np.where(planted, speed, np.inf).min(axis=-1)[series.eroded(contacts.planted, 6)].mean())


def wobbling(known: synthetic.Known, size: float) -> Motion:
    """The motion with its legs shaken slowly, so that planted feet slide and sink."""
    motion = known.motion
    t = np.arange(len(motion)) / motion.rate
    rotations = motion.rotations.copy()
    for k, name in enumerate(("left_upper_leg", "right_upper_leg", "left_foot", "right_foot")):
        joint = motion.skeleton.index(name)
        sway = size * np.stack([np.sin(4 * t + k), np.cos(3 * t + 2 * k), 0.5 * np.sin(5 * t)], axis=-1)
        rotations[:, joint] = quat.mul(quat.exp(sway), rotations[:, joint])
    return motion.with_rotations(rotations)


@pytest.mark.parametrize("known", [synthetic.walk(), synthetic.walk(turn_deg=90), synthetic.turn_in_place()])
def test_pinned_feet_stand_still_on_the_floor(known: synthetic.Known) -> None:
    slipping = wobbling(known, 0.02)
    truth = Contacts(known.motion.rate, ("leftFoot", "rightFoot"), known.heel, known.toe, 0.0)
    before = standing_speed(slipping, truth)
    pinned, contacts = pin_feet(slipping, body_of(slipping), truth)
    assert contacts.planted.mean() > 0.8 * truth.planted.mean()
    assert before > 0.02
    assert standing_speed(pinned, contacts) < 0.005  # only where a shaken foot goes over from heel to ball
    points = foot_points(pinned, body_of(pinned))
    lowest = points[..., 2].min(axis=-1)[series.eroded(contacts.planted, 6)]
    assert np.abs(lowest).mean() < 0.0005
    assert np.abs(lowest).max() < 0.004
    moved = quat.angle_between(pinned.rotations, slipping.rotations)
    legs = [slipping.skeleton.index(n) for n in slipping.skeleton.names if "leg" in n or "foot" in n]
    others = np.setdiff1d(np.arange(1, len(slipping.skeleton)), legs)
    assert moved[:, others].max() < 1e-9
    assert np.degrees(moved[:, 0].max()) < 0.5  # the pelvis rolls a little where both legs are straight
    assert np.degrees(moved[:, legs].max()) < 12


def test_feet_that_stand_are_left_alone() -> None:
    known = synthetic.idle()
    truth = Contacts(known.motion.rate, ("leftFoot", "rightFoot"), known.heel, known.toe, 0.0)
    pinned, contacts = pin_feet(known.motion, body_of(known.motion), truth)
    assert np.array_equal(contacts.planted, truth.planted)
    assert quat.angle_between(pinned.rotations, known.motion.rotations).max() < 1e-6
    assert np.abs(pinned.root_translation - known.motion.root_translation).max() < 1e-6


def test_no_jump_where_a_contact_begins_or_ends() -> None:
    known = synthetic.walk()
    slipping = wobbling(known, 0.03)
    truth = Contacts(known.motion.rate, ("leftFoot", "rightFoot"), known.heel, known.toe, 0.0)
    pinned, _ = pin_feet(slipping, body_of(slipping), truth)
    steps = [quat.angle_between(m.rotations[1:], m.rotations[:-1]).max() for m in (slipping, pinned)]
    assert steps[1] < 1.5 * steps[0]


def test_knees_keep_their_calm() -> None:
    """Their largest angular acceleration after repair and pinning, against the clean motion's."""
    motion = synthetic.walk().motion
    repaired, _ = repair(corrupt.corrupt(motion, 3).motion, body_of(motion))
    sizes = []
    for m in (motion, repaired):
        knees = [m.skeleton.index(name) for name in ("left_lower_leg", "right_lower_leg")]
        turning = series.angular_velocity(m.rotations[:, knees], m.rate)
        sizes.append(np.linalg.norm(series.derivative(turning, m.rate), axis=-1)[3:-3].max())
    assert sizes[1] < 1.2 * sizes[0]


def held(known: synthetic.Known) -> Contacts:
    """The true contacts."""
    return Contacts(known.motion.rate, ("leftFoot", "rightFoot"), known.heel, known.toe, 0.0)


def on_one_foot(motion: Motion, truth: Contacts) -> tuple[Motion, Contacts]:
    """The motion pinned by its left foot alone, which then stands; and what was pinned."""
    lone = replace(truth, heel=truth.heel & [True, False], toe=truth.toe & [True, False])
    pinned, kept = pin_feet(motion, body_of(motion), lone)
    assert kept.planted[:, 0].sum() > 0.9 * truth.planted[:, 0].sum()
    return pinned, kept


def test_one_foot_down_is_pinned_by_the_path() -> None:
    """A body that slides and bobs over one standing foot: the hips take it, and the leg hardly bends."""
    known = synthetic.walk(steps=2)
    t = np.arange(len(known.motion))[:, None] / known.motion.rate
    away = 0.02 * np.concatenate([np.sin(3 * t), np.cos(4 * t), np.sin(5 * t)], axis=-1)
    slid = known.motion.with_translation(0, known.motion.root_translation + away)
    pinned, kept = on_one_foot(slid, held(known))
    assert sliding_cm_s(pinned, body_of(slid), kept).max() < 0.02
    bent = np.degrees(quat.angle_between(pinned.rotations, slid.rotations)[kept.planted[:, 0]])
    assert bent.mean() < 0.02
    assert bent.max() < 1.5


def test_hips_do_not_tremble_with_the_noise_of_a_leg() -> None:
    """A thigh that trembles at 15 Hz shakes its foot: the leg holds that, and the body stays calm."""
    known = synthetic.walk(steps=2)
    motion, rate = known.motion, known.motion.rate
    thigh = motion.skeleton.index("left_upper_leg")
    t = np.arange(len(motion))[:, None] / rate
    shake = quat.exp(np.radians(0.3) * np.concatenate([np.sin(94 * t), np.cos(94 * t), 0 * t], axis=-1))
    rotations = motion.rotations.copy()
    rotations[:, thigh] = quat.mul(rotations[:, thigh], shake)
    pinned, kept = on_one_foot(motion.with_rotations(rotations), held(known))
    assert sliding_cm_s(pinned, body_of(motion), kept).max() < 0.1
    inside = series.eroded(kept.planted[:, 0], round(0.1 * rate))
    force = [series.derivative(series.derivative(m.root_translation, rate), rate) for m in (motion, pinned)]
    assert np.abs(force[1] - force[0])[inside].max() < 8  # m/s^2; hips that follow each step reach 39


@pytest.mark.parametrize("seed", [1, 2])
def test_what_repair_pins_stands(seed: int) -> None:
    """Open motion, damaged: over all frames that were pinned the stiller end moves by under 0.3 cm/s."""
    for name in ("walk", "jump", "kick"):
        clean = open_data.humanoid3d(name)[0].resampled(120.0)
        body = find_body_map(clean.skeleton)
        repaired, _ = repair(corrupt.corrupt(clean, seed).motion, body, RepairSettings(pin=False))
        contacts = replace(find_contacts(repaired, body), floor_m=0.0)
        pinned, kept = pin_feet(repaired, body, contacts)
        assert kept.planted.sum() > 0.7 * contacts.planted.sum()
        points = foot_points(pinned, body)
        speed = np.linalg.norm(series.derivative(points[..., :2], 120.0), axis=-1).min(axis=-1)
        inner = series.eroded(kept.planted, 3)
        assert 100 * speed[inner].mean() < 0.3
        assert 1000 * np.abs(points[..., 2].min(axis=-1)[inner]).mean() < 2


def test_a_foot_rolls_from_heel_to_ball() -> None:
    """Landing on the heel, leaving from the ball: the end that bears it stands; its pitch stays."""
    known = synthetic.walk()
    slipping = wobbling(known, 0.02)
    pinned, kept = pin_feet(slipping, body_of(slipping), held(known))
    points = foot_points(pinned, body_of(pinned))
    speed = 100 * np.linalg.norm(series.derivative(points[..., :2], pinned.rate), axis=-1)
    rolled = 0
    for end, mask in enumerate((kept.heel & ~kept.toe, kept.toe & ~kept.heel)):
        alone = series.eroded(mask, 2)
        assert alone.sum() > 20
        assert speed[..., end][alone].max() < 0.5
        rolled += int((speed[..., 1 - end][alone] > 10).sum())
    assert rolled > 20, "the other end moves meanwhile"
    for name in ("left_foot", "right_foot"):
        joint = pinned.skeleton.index(name)
        before, after = slipping.model()[0][:, joint], pinned.model()[0][:, joint]
        turn = quat.log(quat.mul(after, quat.inv(before)))
        assert np.degrees(np.abs(turn[:, :2])).max() < 1e-6, "only its heading may change"


def test_a_flat_foot_stops_turning_and_a_pivot_goes_on() -> None:
    known = synthetic.idle(duration_s=4.0)
    t = np.linspace(-1, 1, len(known.motion))
    foot = known.motion.skeleton.index("left_foot")
    for size_deg, left in ((2.0, 0.0), (30.0, 1.0)):
        rotations = known.motion.rotations.copy()
        rotations[:, foot] = quat.mul(quat.from_yaw(np.radians(size_deg) / 2 * t), rotations[:, foot])
        turning = known.motion.with_rotations(rotations)
        pinned, _ = pin_feet(turning, body_of(turning), held(known))
        yaws = []
        for motion in (turning, pinned):
            ahead = np.diff(foot_points(motion, body_of(motion))[:, 0], axis=1)[:, 0]
            yaws.append(np.degrees(np.unwrap(np.arctan2(ahead[:, 1], ahead[:, 0]))))
        assert np.ptp(yaws[0]) > 0.8 * size_deg
        assert np.ptp(yaws[1]) == pytest.approx(left * np.ptp(yaws[0]), abs=0.01)


def test_hips_sink_before_a_leg_is_straight_and_none_is_stretched() -> None:
    """A foot wanted 0.45 m ahead, out of reach: hips sink smoothly, the leg stays under 99.5 %."""
    motion = synthetic.idle(duration_s=4.0).motion
    body, frames = body_of(motion), len(motion)
    ahead = -0.45 * np.sin(np.pi * np.linspace(0, 1, frames)) ** 2
    rest = ahead[:, None] * [0, 1, 0]
    stand = Stand(np.ones(frames, bool), rest, np.tile(quat.IDENTITY, (frames, 1)))
    leg = find_leg(motion, body, "leftFoot")
    pinned = bend_legs(motion, [leg], [stand], np.zeros((frames, 3)), 0.995, 18)
    hip, ankle = (
        pinned.model()[1][:, motion.skeleton.index(f"left_{part}")] for part in ("upper_leg", "foot")
    )
    goal = motion.model()[1][:, motion.skeleton.index("left_foot")] + rest
    assert np.abs(ankle - goal).max() < 1e-6
    length = np.linalg.norm(ankle - hip, axis=-1)
    assert 0.98 * 0.81 < length.max() <= 0.995 * 0.81 + 1e-9
    sunk = pinned.root_translation[:, 2] - motion.root_translation[:, 2]
    assert sunk.min() < -0.04
    assert np.abs(np.diff(sunk, 2)).max() * motion.rate**2 < 4.0, "m/s^2"


def test_knees_keep_their_plane() -> None:
    """The synthetic knee is a hinge about its own X: pinned, it still is one, and bends the same way."""
    known = synthetic.walk()
    slipping = wobbling(known, 0.02)
    pinned, _ = pin_feet(slipping, body_of(slipping), held(known))
    for name in ("left_lower_leg", "right_lower_leg"):
        joint = slipping.skeleton.index(name)
        before, after = (quat.log(m.rotations[:, joint]) for m in (slipping, pinned))
        assert np.abs(after - before).max() > 0.01
        assert np.degrees(np.abs(after[:, 1:])).max() < 1.0
        assert (after[:, 0] * before[:, 0] > 0).all()


def test_feet_that_slide_apart_are_let_go() -> None:
    """The right foot glides 0.4 m away from the left: it is not held back; the left one stands."""
    known = synthetic.idle(duration_s=4.0)
    motion, body = known.motion, body_of(known.motion)
    t = np.linspace(0, 1, len(motion))
    goal = joint_in_model(motion, body.require("rightFoot"))[1]
    goal = goal - 0.4 * (t**3 * (10 - 15 * t + 6 * t * t))[:, None] * [1, 0, 0]
    gliding = place_ankles(
        motion.with_translation(0, motion.root_translation - [0, 0, 0.1]), body, {"rightFoot": goal}
    )
    gliding = place_ankles(gliding, body, {"leftFoot": joint_in_model(motion, body.require("leftFoot"))[1]})
    pinned, kept = pin_feet(gliding, body, held(known))
    assert kept.planted[:, 0].mean() > 0.9
    middle = slice(len(t) // 2 - 30, len(t) // 2 + 30)
    assert not kept.planted[middle, 1].any()
    moved = foot_points(pinned, body)[:, 1, 0]
    assert np.linalg.norm(moved[-1] - moved[0]) > 0.3
    assert sliding_cm_s(pinned, body, kept).mean() < 0.3


@pytest.mark.parametrize("blend", [2, 6, 12])
def test_a_foot_is_let_go_around_its_worst_moment(blend: int) -> None:
    """All frames next to the peak that are above half of it, and at least half a blend on each side."""
    rng = np.random.default_rng(blend)
    for _ in range(20):
        values = np.abs(filters.moving_mean(rng.normal(size=100), rng.integers(1, 9)))
        peak = blend + int(np.argmax(values[blend:-blend]))
        low = high = peak
        while low > 0 and values[low - 1] >= values[peak] / 2:
            low -= 1
        while high < len(values) and values[high] >= values[peak] / 2:
            high += 1
        found = pin_course._peak_frames(values, 1000, blend)
        wanted = (1000 + min(low, peak - blend // 2), 1000 + max(high, peak + blend // 2))
        assert (found.start, found.stop) == wanted


@given(st.lists(st.tuples(st.booleans(), st.floats(-1, 1)), min_size=1, max_size=50), st.integers(2, 9))
def test_faded_against_its_slow_twin(pairs: list[tuple[bool, float]], longest: int) -> None:
    known = np.array([pair[0] for pair in pairs])
    values = np.array([pair[1] for pair in pairs])
    found = pin_course.fade(values[:, None], known, 10.0, longest)[:, 0]
    np.testing.assert_allclose(found, reference.faded(values, known.tolist(), 10.0, longest), atol=1e-12)


@pytest.mark.parametrize("frames", range(2, 10))
def test_a_cover_is_nowhere_below_and_no_wider_than_asked_for(frames: int) -> None:
    """Half of `frames` twice averages no more than the highest within `frames` covers."""
    rng = np.random.default_rng(frames)
    values = np.where(rng.uniform(size=80) < 0.05, rng.uniform(size=80), 0.0)
    cover = pin_legs._smooth_cover(values, frames)
    assert (cover >= values - 1e-12).all()
    wide = 2 * frames
    highest = [values[max(k - wide, 0) : k + wide + 1].max() for k in range(80)]
    assert (cover <= np.array(highest) + 1e-12).all()
    assert np.abs(np.diff(cover)).max() <= values.max() / (2 * (frames // 2) + 1) + 1e-12


def test_without_contacts_nothing_moves_and_bad_settings_are_named() -> None:
    motion = synthetic.walk(steps=2).motion
    none = Contacts(motion.rate, ("leftFoot", "rightFoot"), *(np.zeros((len(motion), 2), bool),) * 2, 0.0)
    pinned, contacts = pin_feet(motion, body_of(motion), none)
    assert pinned is motion
    assert contacts is none
    with pytest.raises(InputError, match="blend_s"):
        pin_feet(motion, body_of(motion), none, PinSettings(blend_s=0))


def drifted(known: synthetic.Known, deg_per_min: float) -> Motion:
    return corrupt.corrupt(known.motion, 1, corrupt.Damage(0, 0, 0.3, 0, 0, deg_per_min, 0, 0)).motion


@pytest.mark.parametrize("known", [synthetic.walk(steps=40), synthetic.idle(duration_s=30)])
def test_heading_drift_is_found_and_taken_out(known: synthetic.Known) -> None:
    motion = drifted(known, 12.0)
    body = body_of(motion)
    contacts = find_contacts(motion, body)
    found = heading_drift.heading_drift(
        foot_points(motion, body), contacts.heel & contacts.toe, heading(motion, body), motion.rate
    )
    assert found.deg_per_min == pytest.approx(12.0, abs=1.0)
    turned, path = heading_drift.remove_drift(motion.rotations[:, 0], motion.root_translation, found.heading)
    assert np.degrees(quat.angle_between(turned, known.motion.rotations[:, 0]).max()) < 0.6
    assert np.abs(path - known.motion.root_translation).max() < 0.05


def test_drift_on_an_arc_is_told_by_two_visits_to_the_same_stance() -> None:
    """Two whole turns in a minute: no straight way, short contacts; the stands before and after tell."""
    known = synthetic.walk(steps=100, turn_deg=720)
    repaired, findings = repair(corrupt.corrupt(known.motion, 1).motion, body_of(known.motion))
    off = quat.yaw(quat.mul(repaired.rotations[:, 0], quat.inv(known.motion.rotations[:, 0])))
    assert np.degrees(np.abs(np.unwrap(off)[-1])) < 1.0
    assert [f for f in findings if f.kind == "heading_drift"]


def test_a_stance_that_faces_another_way_tells_nothing() -> None:
    """The same arc, ended 70 degrees short of it: nobody can tell, so nothing is changed."""
    known = synthetic.walk(steps=100, turn_deg=650)
    motion, body = drifted(known, 12.0), body_of(known.motion)
    contacts = find_contacts(motion, body)
    found = heading_drift.heading_drift(
        foot_points(motion, body), contacts.heel & contacts.toe, heading(motion, body), motion.rate
    )
    assert not found.heading.any()
    assert found.error_deg_per_min > 10


def test_another_stance_is_no_visit() -> None:
    """Stands whose feet are set otherwise, 8 degrees round: only the first and the third are alike."""
    rate, seconds = 60.0, 30
    frames = int(rate) * seconds
    points = np.zeros((frames, 2, 2, 3))
    flat = np.zeros((frames, 2), bool)
    stance = np.array([[[0.1, 0.05, 0], [0.1, -0.13, 0]], [[-0.1, 0.05, 0], [-0.1, -0.13, 0]]])
    for start, turn, wide in ((0, 0.0, 1.0), (10, 0.14, 2.0), (20, 0.07, 1.0)):
        here = slice(int(start * rate), int((start + 2) * rate))
        points[here] = quat.rotate(quat.from_yaw(turn), stance * [wide, 1, 1])
        flat[here] = True
    found = heading_drift.heading_drift(points, flat, np.linspace(0, 40, frames), rate)
    assert found.deg_per_min == pytest.approx(np.degrees(0.07) * 3, abs=2)


@pytest.mark.parametrize("known", [synthetic.walk(steps=40), synthetic.walk(steps=30, turn_deg=300)])
def test_a_turn_that_was_meant_is_no_drift(known: synthetic.Known) -> None:
    body = body_of(known.motion)
    contacts = find_contacts(known.motion, body)
    points = foot_points(known.motion, body)
    found = heading_drift.heading_drift(
        points, contacts.heel & contacts.toe, heading(known.motion, body), known.motion.rate
    )
    assert not found.heading.any()


def test_a_path_follows_the_planted_feet() -> None:
    known = synthetic.walk(steps=40)
    slid = corrupt.corrupt(known.motion, 2, corrupt.Damage(0, 0, 0.3, 0, 0, 0, 0.1, 0.05)).motion
    body = body_of(slid)
    contacts = find_contacts(slid, body)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    path = slid.root_translation - path_drift.path_drift(foot_points(slid, body), planted, slid.rate)
    away = path - known.motion.root_translation
    assert np.linalg.norm((slid.root_translation - known.motion.root_translation)[-1, :2]) > 1.5
    assert np.linalg.norm((away[-1] - away[0])[:2]) < 0.1  # of 20 m
    assert np.abs(away[:, 2]).max() < 0.01


def test_a_flight_keeps_its_velocity() -> None:
    """Planted, in the air, planted, all with one drift: its velocity is taken off throughout."""
    frames, rate = 240, 120.0
    planted = np.zeros((frames, 1, 2), bool)
    planted[:80] = planted[150:] = True
    points = np.zeros((frames, 1, 2, 3))
    points[..., 0] = 0.2 * np.arange(frames)[:, None, None] / rate
    drift = path_drift.path_drift(points, planted, rate)
    assert np.allclose(drift[:, 0], 0.2 * np.arange(frames) / rate, atol=1e-3)
    assert np.abs(drift[:, 1:]).max() < 1e-12
    assert not path_drift.path_drift(points, np.zeros_like(planted), rate).any()
