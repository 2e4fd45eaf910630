from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import open_data
import reference
import synthetic
from takemill import contacts as contacts_file
from takemill import quat
from takemill.body_map import BodyMap, find_body_map
from takemill.contacts import Contacts, ContactSettings, find_contacts, foot_points
from takemill.errors import InputError
from takemill.motion import Motion


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
    found = contacts_file._hysteresis(surely, maybe)
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


def test_events_of_a_real_walk_agree_with_a_published_method() -> None:
    """Heel strike and toe off where heel and toe are farthest before and behind the pelvis along its way.

    Source: Zeni, Richards and Higginson, Gait and Posture 27, 2008, the coordinate-based method. It marks the
    extremes of the swing, a little before the foot is down and after it is up, so a tenth of a second is
    allowed.
    """
    motion, _ = open_data.humanoid3d("walk")
    motion = open_data.repeated(motion, 5).resampled(120.0)
    body = find_body_map(motion.skeleton)
    contacts = find_contacts(motion, body)
    points = foot_points(motion, body)
    root = motion.root_translation
    ahead = (root[-1] - root[0]) / np.linalg.norm(root[-1] - root[0])
    away = []
    for k, foot in enumerate(contacts.feet):
        for part, sign, edge in ((0, 1.0, 0), (1, -1.0, 1)):
            reach = sign * (points[:, k, part] - root) @ ahead
            peaks = np.flatnonzero((reach[1:-1] > reach[:-2]) & (reach[1:-1] >= reach[2:])) + 1
            peaks = peaks[reach[peaks] > 0.7 * reach.max()]
            events = [pair[edge] for pair in contacts.ranges(foot) if 0 < pair[edge] < len(motion)]
            away += [int(np.abs(peaks - event).min()) / motion.rate for event in events]
    assert len(away) >= 15
    assert np.median(away) < 0.12
    assert max(away) < 0.17
