from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import open_data
import reference
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet import contacts as contacts_file
from takemill.feet.contacts import Contacts, ContactSettings, find_contacts
from takemill.feet.leg_ik import place_ankles
from takemill.feet.soles import foot_points
from takemill.maths import filters, quat, series
from takemill.repair.repair import repair


def score(found: np.ndarray, truth: np.ndarray) -> float:
    """F1 per frame."""
    return float(2 * (found & truth).sum() / (found.sum() + truth.sum()))


def body_of(motion: Motion) -> BodyMap:
    return BodyMap.from_names(motion.skeleton, synthetic.parts())


KNOWN = {
    "walk": lambda rate, scale: synthetic.walk(rate=rate, scale=scale),
    "arc": lambda rate, scale: synthetic.walk(rate=rate, scale=scale, turn_deg=120),
    "turn": lambda rate, scale: synthetic.turn_in_place(rate=rate, scale=scale),
    "idle": lambda rate, scale: synthetic.idle(rate=rate, scale=scale),
}


@pytest.mark.parametrize("rate", [30.0, 60.0, 120.0, 240.0])
@pytest.mark.parametrize("scale", [1.0, 0.01, 40.0])
@pytest.mark.parametrize("name", KNOWN)
def test_contacts_of_known_motion(name: str, scale: float, rate: float) -> None:
    """Against the construction of tests/synthetic.py, at any rate and rig scale."""
    known = KNOWN[name](rate, scale)
    found = find_contacts(known.motion, body_of(known.motion))
    assert found.feet == ("leftFoot", "rightFoot")
    assert score(found.heel, known.heel) > 0.95
    assert score(found.toe, known.toe) > 0.95
    assert abs(found.floor_m) < 0.002 * scale


def test_foot_points_lie_on_the_sole() -> None:
    known = synthetic.walk(turn_deg=60)
    motion, body = known.motion, body_of(known.motion)
    rotations, positions = motion.model()
    points = foot_points(motion, body)
    assert points.shape == (len(motion), 2, 2, 3)
    for k, name in enumerate(("left_foot", "right_foot")):
        joint = motion.skeleton.index(name)
        for part, offset in enumerate((synthetic.HEEL, synthetic.BALL)):
            expected = positions[:, joint] + quat.rotate(rotations[:, joint], offset)
            assert np.abs(points[:, k, part] - expected).max() < 1e-12


def test_contacts_of_a_raised_and_turned_take_are_the_same() -> None:
    known = synthetic.walk()
    motion = known.motion
    turn = quat.from_yaw(0.8)
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    root = quat.rotate(turn, motion.root_translation) + np.array([3, -2, 1.5])
    moved = Motion(motion.skeleton, motion.rate, rotations, root)
    here, there = (find_contacts(m, body_of(m)) for m in (motion, moved))
    assert np.array_equal(here.heel, there.heel)
    assert np.array_equal(here.toe, there.toe)
    assert there.floor_m - here.floor_m == pytest.approx(1.5, abs=1e-9)


def test_contacts_ranges_and_slices() -> None:
    heel = np.zeros((6, 2), bool)
    heel[1:3, 0] = heel[5, 0] = True
    contacts = Contacts(30.0, ("leftFoot", "rightFoot"), heel, np.zeros((6, 2), bool), 0.0)
    assert contacts.ranges("leftFoot") == ((1, 3), (5, 6))
    assert contacts.ranges("rightFoot") == ()
    assert contacts.sliced(2, 6).ranges("leftFoot") == ((0, 1), (3, 4))
    with pytest.raises(InputError, match="leftHand"):
        contacts.ranges("leftHand")
    with pytest.raises(InputError, match="shape"):
        Contacts(30.0, ("leftFoot",), heel, heel, 0.0)
    with pytest.raises(ValueError, match="read-only"):
        contacts.heel[0, 0] = True


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=40))
def test_hysteresis_against_its_slow_twin(pairs: list[tuple[bool, bool]]) -> None:
    surely = np.array([sure and may for sure, may in pairs])
    maybe = np.array([may for _, may in pairs])
    found = contacts_file._apply_hysteresis(surely, maybe)
    assert found.tolist() == reference.hysteresis(surely.tolist(), maybe.tolist())


def test_no_feet_and_no_floor_give_no_contacts() -> None:
    known = synthetic.walk(steps=2)
    motion = known.motion
    names = {part: joint for part, joint in synthetic.parts().items() if not part.endswith(("Foot", "Toes"))}
    nothing = find_contacts(motion, BodyMap.from_names(motion.skeleton, names))
    assert nothing.feet == ()
    assert nothing.heel.shape == (len(motion), 0)
    falling = motion.with_translation(
        0, motion.root_translation - np.outer(np.arange(len(motion)), [0, 0, 0.05])
    )
    assert not find_contacts(falling, body_of(falling)).planted.any()


def test_bad_settings_are_named() -> None:
    motion = synthetic.idle().motion
    with pytest.raises(InputError, match="speed_in"):
        find_contacts(motion, body_of(motion), ContactSettings(speed_in=0))


@pytest.mark.parametrize("frames", [1, 2, 5])
def test_very_short_takes(frames: int) -> None:
    motion = synthetic.idle().motion.slice(0, frames)
    found = find_contacts(motion, body_of(motion))
    assert found.planted.all()


def event_lags(motion: Motion, body: BodyMap) -> tuple[list[int], list[int]]:
    """From each heel strike and toe off of the published method to our nearest touch and leave, frames."""
    found, points, root = find_contacts(motion, body), foot_points(motion, body), motion.root_translation
    ahead = (root[-1] - root[0]) * [1, 1, 0]
    ahead /= np.linalg.norm(ahead)
    lags: tuple[list[int], list[int]] = ([], [])
    for k, foot in enumerate(found.feet):
        events = reference.gait_events(points[:, k, 0], points[:, k, 1], root, ahead)
        for lag, edges, frames in zip(lags, zip(*found.ranges(foot), strict=True), events, strict=True):
            ours = np.array([edge for edge in edges if 0 < edge < len(motion)])
            lag += [int(ours[np.abs(ours - frame).argmin()]) - frame for frame in frames]
    return lags


@pytest.mark.parametrize(("step_s", "step_m"), [(0.55, 0.5), (0.7, 0.4)])
def test_events_of_a_known_walk_agree_with_a_published_method(step_s: float, step_m: float) -> None:
    """Zeni, Richards and Higginson 2008: within 5 frames of 120 a second, each heel strike and toe off."""
    motion = synthetic.walk(steps=12, step_s=step_s, step_m=step_m).motion
    strikes, offs = event_lags(motion, body_of(motion))
    assert len(strikes) + len(offs) >= 20
    assert min(strikes) >= 0 and max(strikes) <= 5  # noqa: PT018
    assert min(offs) >= -3 and max(offs) <= 0  # noqa: PT018


def test_events_of_a_real_walk_agree_with_a_published_method() -> None:
    """Zeni, Richards and Higginson 2008: each event within 16 frames of 120 a second, all alike within 2.

    The method marks the extremes of the swing; this performer's foot still moves at 0.5 m/s and more for a
    tenth of a second after the one and before the other.
    """
    motion = open_data.repeated(open_data.humanoid3d("walk")[0], 5).resampled(120.0)
    strikes, offs = event_lags(motion, find_body_map(motion.skeleton))
    strikes = strikes[:-1]  # the take ends in the last
    assert len(strikes) + len(offs) >= 19
    assert min(strikes) > 0 and max(strikes) <= 16 and np.ptp(strikes) <= 2  # noqa: PT018
    assert max(offs) < 0 and min(offs) >= -16 and np.ptp(offs) <= 2  # noqa: PT018


@pytest.mark.parametrize("rate", [30.0, 120.0])
def test_contacts_of_a_sidestep(rate: float) -> None:
    known = synthetic.walk(rate=rate, step_m=0.25, aside_deg=90)
    found = find_contacts(known.motion, body_of(known.motion))
    assert score(found.heel, known.heel) > 0.95
    assert score(found.toe, known.toe) > 0.95


def test_contacts_of_a_crouch() -> None:
    """Down by 0.3 m and up again over feet that stand: planted throughout."""
    motion = synthetic.idle(duration_s=5.0).motion
    body, ankles = body_of(motion), {}
    for foot in ("leftFoot", "rightFoot"):
        ankles[foot] = joint_in_model(motion, body.require(foot))[1]
    depth = 0.3 * np.sin(np.pi * np.arange(len(motion)) / (len(motion) - 1)) ** 2
    low = motion.with_translation(0, motion.root_translation - depth[:, None] * [0, 0, 1])
    crouching = place_ankles(low, body, ankles)
    found = find_contacts(crouching, body)
    assert found.heel.all()
    assert found.toe.all()


def take(name: str) -> Motion:
    """An open motion at 120 frames a second."""
    motion, wraps = open_data.humanoid3d(name)
    return (open_data.repeated(motion, 4) if wraps else motion).resampled(120.0)


def test_no_contact_in_the_flight_of_a_jump() -> None:
    """Truth: a body in the air falls. Where the hips' acceleration is gravity's, no foot is planted."""
    motion = open_data.humanoid3d("jump")[0].resampled(120.0)
    found = find_contacts(motion, find_body_map(motion.skeleton))
    path = filters.butterworth(motion.root_translation[:, 2], motion.rate, 8.0)
    falling = series.derivative(series.derivative(path, motion.rate), motion.rate) < -6.0
    start, stop = max(zip(*series.runs(falling), strict=True), key=lambda pair: pair[1] - pair[0])
    assert stop - start > 20
    assert not found.planted[start:stop].any()
    assert found.planted[: start - 24].all()
    assert found.planted[stop + 24 :].mean() > 0.9


def test_steps_of_a_run_alternate_with_flight_between() -> None:
    motion = take("run")
    found = find_contacts(motion, find_body_map(motion.skeleton))
    assert not found.planted.all(axis=1).any(), "never both feet"
    steps = sorted((pair, foot) for foot in found.feet for pair in found.ranges(foot))
    assert len(steps) in (8, 9), "two in each of four cycles; one may be cut by an end"
    assert all(a[1] != b[1] and a[0][1] < b[0][0] for a, b in pairwise(steps))


@pytest.mark.parametrize("name", ["kick", "spinkick"])
def test_the_foot_that_kicks_is_not_planted(name: str) -> None:
    motion = take(name)
    body = find_body_map(motion.skeleton)
    found, points = find_contacts(motion, body), foot_points(motion, body)
    speed = np.linalg.norm(series.derivative(points, motion.rate), axis=-1).max(axis=-1)
    frame, foot = np.unravel_index(speed.argmax(), speed.shape)
    assert not found.planted[max(frame - 24, 0) : frame + 24, foot].any()
    assert found.planted[:, foot].any()
    assert found.planted[:, 1 - foot].any()


@pytest.mark.parametrize("name", ["walk", "run", "kick", "jump"])
@pytest.mark.parametrize(("scale", "rate"), [(0.01, 120.0), (100.0, 60.0), (1.0, 30.0), (1.0, 240.0)])
def test_contacts_of_real_motion_at_any_scale_and_rate(name: str, scale: float, rate: float) -> None:
    motion = take(name)
    body = find_body_map(motion.skeleton)
    truth = find_contacts(motion, body)
    skeleton = replace(
        motion.skeleton,
        rest_translation=scale * motion.skeleton.rest_translation,
        tip_offsets=scale * motion.skeleton.tip_offsets,
    )
    other = replace(motion, skeleton=skeleton, root_translation=scale * motion.root_translation)
    other = other.resampled(rate)
    found = find_contacts(other, body)
    expected = truth.sampled(np.arange(len(other)) * 120.0 / rate, rate)
    assert score(found.planted, expected.planted) > (0.999 if rate == 120.0 else 0.93)


@pytest.mark.parametrize("rate", [20.0, 60.0, 240.0])
def test_short_gaps_are_closed_then_short_contacts_dropped_but_for_those_at_the_ends(rate: float) -> None:
    """Of 0.3 s and 0.5 s at the least, each a frame short of that, and as long."""
    gap, contact = round(0.3 * rate), round(0.5 * rate)
    settings = ContactSettings(min_lifted_s=0.3, min_planted_s=0.5)
    for shorter, closed, kept in ((1, True, False), (0, False, True)):
        parts = (
            *(
                (1, False, False),
                (contact, True, True),
                (gap - shorter, False, closed),
                (contact, True, True),
            ),
            *((gap, False, False), (contact - shorter, True, kept), (gap, False, False), (1, True, True)),
        )
        lengths, planted, wanted = zip(*parts, strict=True)
        found = contacts_file._tidy(np.repeat(planted, lengths), rate, settings)
        assert np.array_equal(found, np.repeat(wanted, lengths))


def test_fast_swings_make_a_sliding_foot_known() -> None:
    """A run whose path drifts by 0.7 m/s: the feet slide as fast while they stand."""
    motion = take("run")
    body = find_body_map(motion.skeleton)
    truth = find_contacts(motion, body)
    away = 0.7 * np.arange(len(motion))[:, None] / motion.rate * [0.0, 1.0, 0.0]
    slid = motion.with_translation(0, motion.root_translation + away)
    assert score(find_contacts(slid, body).planted, truth.planted) > 0.95
    calm = find_contacts(slid, body, ContactSettings(speed_share=1e-9, passes=1))
    assert score(calm.planted, truth.planted) < 0.8


def test_looks_at_a_take_end(monkeypatch) -> None:
    """However many are asked for, and however long each finds more."""
    motion = synthetic.walk(steps=2).motion
    looks = []

    def noted(points, planted, _rate):
        looks.append(planted.sum())
        return np.zeros((len(points), 3))

    monkeypatch.setattr(contacts_file, "path_drift", noted)
    find_contacts(motion, body_of(motion), ContactSettings(passes=1000))
    assert len(looks) == contacts_file._MAX_PASSES
    looks.clear()
    find_contacts(motion, body_of(motion), ContactSettings(passes=3))
    assert len(looks) == 2, "drift is taken off between looks"


def test_one_who_swims_has_no_contacts_that_tell() -> None:
    """Strokes of arms and legs, the body bobbing and drifting by 1 m/s: repair leaves its path alone."""
    walk = synthetic.walk(steps=8).motion
    t = np.arange(len(walk)) / walk.rate
    rotations = walk.rotations.copy()
    rotations[:, 0] = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.pi / 2)
    path = np.stack([0 * t, -t, 3 + 0.3 * np.sin(2 * t)], axis=-1)
    swim = replace(walk, rotations=rotations, root_translation=path)
    repaired, findings = repair(swim, body_of(swim))
    assert np.abs(np.diff(repaired.root_translation - path, axis=0)).max() < 1e-3
    assert not [f for f in findings if f.kind in ("heading_drift", "path_drift", "floor_offset")]
