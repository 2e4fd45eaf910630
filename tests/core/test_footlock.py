from __future__ import annotations

import numpy as np
import pytest

import corrupt
import synthetic
from takemill import grounding, quat, series
from takemill.body_map import BodyMap, heading
from takemill.contacts import Contacts, find_contacts, foot_points
from takemill.errors import InputError
from takemill.footlock import FootlockSettings, pin_feet
from takemill.motion import Motion
from takemill.repair import repair


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


def standing_speed(motion: Motion, contacts: Contacts) -> float:
    """The mean speed, metres a second, of a planted foot's stiller end; landing and leaving left out."""
    points = foot_points(motion, body_of(motion))
    speed = np.linalg.norm(series.derivative(points, motion.rate), axis=-1)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    return float(np.where(planted, speed, np.inf).min(axis=-1)[grounding.eroded(contacts.planted, 6)].mean())


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
    lowest = points[..., 2].min(axis=-1)[grounding.eroded(contacts.planted, 6)]
    assert np.abs(lowest).mean() < 0.0005
    assert np.abs(lowest).max() < 0.004
    moved = quat.angle_between(pinned.rotations, slipping.rotations)
    legs = [slipping.skeleton.index(n) for n in slipping.skeleton.names if "leg" in n or "foot" in n]
    others = np.setdiff1d(np.arange(len(slipping.skeleton)), legs)
    assert moved[:, others].max() < 1e-9
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
    mended, _ = repair(corrupt.corrupt(motion, 3).motion, body_of(motion))
    sizes = []
    for m in (motion, mended):
        knees = [m.skeleton.index(name) for name in ("left_lower_leg", "right_lower_leg")]
        turning = series.angular_velocity(m.rotations[:, knees], m.rate)
        sizes.append(np.linalg.norm(series.derivative(turning, m.rate), axis=-1)[3:-3].max())
    assert sizes[1] < 1.2 * sizes[0]


def test_without_contacts_nothing_moves_and_bad_settings_are_named() -> None:
    motion = synthetic.walk(steps=2).motion
    none = Contacts(motion.rate, ("leftFoot", "rightFoot"), *(np.zeros((len(motion), 2), bool),) * 2, 0.0)
    pinned, contacts = pin_feet(motion, body_of(motion), none)
    assert pinned is motion
    assert contacts is none
    with pytest.raises(InputError, match="blend_s"):
        pin_feet(motion, body_of(motion), none, FootlockSettings(blend_s=0))


def drifted(known: synthetic.Known, deg_per_min: float) -> Motion:
    return corrupt.corrupt(known.motion, 1, corrupt.Damage(0, 0, 0.3, 0, 0, deg_per_min, 0, 0)).motion


@pytest.mark.parametrize("known", [synthetic.walk(steps=40), synthetic.idle(duration_s=30)])
def test_heading_drift_is_found_and_taken_out(known: synthetic.Known) -> None:
    motion = drifted(known, 12.0)
    body = body_of(motion)
    contacts = find_contacts(motion, body)
    found = grounding.heading_drift(
        foot_points(motion, body), contacts.heel & contacts.toe, heading(motion, body), motion.rate
    )
    assert found.deg_per_min == pytest.approx(12.0, abs=1.0)
    turned, path = grounding.without_drift(motion.rotations[:, 0], motion.root_translation, found.heading)
    assert np.degrees(quat.angle_between(turned, known.motion.rotations[:, 0]).max()) < 0.6
    assert np.abs(path - known.motion.root_translation).max() < 0.05


@pytest.mark.parametrize("known", [synthetic.walk(steps=40), synthetic.walk(steps=30, turn_deg=300)])
def test_a_turn_that_was_meant_is_no_drift(known: synthetic.Known) -> None:
    body = body_of(known.motion)
    contacts = find_contacts(known.motion, body)
    points = foot_points(known.motion, body)
    found = grounding.heading_drift(
        points, contacts.heel & contacts.toe, heading(known.motion, body), known.motion.rate
    )
    assert not found.heading.any()


def test_a_path_follows_the_planted_feet() -> None:
    known = synthetic.walk(steps=40)
    slid = corrupt.corrupt(known.motion, 2, corrupt.Damage(0, 0, 0.3, 0, 0, 0, 0.1, 0.05)).motion
    body = body_of(slid)
    contacts = find_contacts(slid, body)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    path = slid.root_translation - grounding.path_drift(foot_points(slid, body), planted, slid.rate)
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
    drift = grounding.path_drift(points, planted, rate)
    assert np.allclose(drift[:, 0], 0.2 * np.arange(frames) / rate, atol=1e-3)
    assert np.abs(drift[:, 1:]).max() < 1e-12
    assert not grounding.path_drift(points, np.zeros_like(planted), rate).any()
