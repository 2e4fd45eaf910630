"""Ends of clips that go over into a loop: in pose, speed, heading and with feet that stay."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gait_takes import start_and_stop
from sliding import sliding_cm_s
from takemill.base.errors import InputError
from takemill.clip.root_motion import RootMotion, find_root_motion, without_root_motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.loops.gait_join import Moved, _hold_feet, follow_on, lead_into
from takemill.loops.gait_parts import find_gait_parts
from takemill.loops.loop_close import close_range
from takemill.maths import quat

OVER, BLEND = 12, 9


def moved(motion, body, contacts) -> Moved:
    return Moved(motion, find_root_motion(motion, body), contacts, contacts)


@pytest.fixture(scope="module")
def gait():
    """The start, the closed loop and the stop of a walk, and its body map."""
    motion, body = start_and_stop("walk")
    contacts = find_contacts(motion, body)
    within = (150, 540)
    start, loop, stop = find_gait_parts(motion, body, contacts, within)
    # Two frames late and early: poses that do not quite fit.
    first, last = (start.start, start.end + 2), (stop.start - 2, stop.end)
    pieces = [moved(motion.slice(a, b + 1), body, contacts.sliced(a, b + 1)) for a, b in (first, last)]
    closed = close_range(motion, body, loop.start, loop.end)
    cycle = moved(closed, body, contacts.sliced(loop.start, loop.end + 1))
    return pieces[0], cycle, pieces[1], body


def beside(one: Moved) -> np.ndarray:
    """Joints (F, J, 3) beside the root track."""
    return without_root_motion(one.motion, one.root_motion).model()[1]


def speeds(track: RootMotion) -> np.ndarray:
    """Steps (F - 1, 3) of a track seen from itself, and its turning, in metres and radians a frame."""
    steps = quat.rotate(quat.from_yaw(-track.heading[:-1]), np.diff(track.position, axis=0))
    return np.concatenate([steps[:, :2], np.diff(track.heading)[:, None]], axis=1)


def test_a_start_ends_in_the_loops_pose_speed_and_heading(gait):
    start, loop, _, body = gait
    joined = lead_into(start, loop, body, OVER, BLEND)
    off = np.abs(beside(start)[-1] - beside(loop)[0]).max()
    assert off > 0.02  # metres: it did not fit
    assert np.abs(beside(joined)[-1] - beside(loop)[0]).max() < 1e-9
    # Two frames before the end all is the loop's but for a thousandth of the blend and what feet are held by.
    steps = [np.diff(beside(one), axis=0)[-1] for one in (joined, loop)]
    assert np.abs(steps[0] - steps[1]).max() < 0.002
    assert np.abs(speeds(joined.root_motion)[-1] - speeds(loop.root_motion)[-1]).max() < 1e-3


def test_a_stop_begins_in_them(gait):
    _, loop, stop, body = gait
    joined = follow_on(stop, loop, body, OVER, BLEND)
    assert np.abs(beside(joined)[0] - beside(loop)[0]).max() < 1e-9
    assert np.abs(speeds(joined.root_motion)[0] - speeds(loop.root_motion)[0]).max() < 1e-3


def test_what_lies_before_the_blend_stays_but_for_the_feet_that_are_held(gait):
    start, loop, _, body = gait
    joined = lead_into(start, loop, body, OVER, BLEND)
    legs = {joint for foot in ("left", "right") for part in ("UpperLeg", "LowerLeg", "Foot")
            if (joint := body.get(foot + part)) is not None}  # fmt: skip
    others = [joint for joint in range(len(start.motion.skeleton)) if joint not in legs]
    early = slice(0, len(start.motion) - OVER - 1)
    same = quat.angle_between(start.motion.rotations[early], joined.motion.rotations[early])
    assert same[:, others].max() < 1e-9
    assert np.abs(joined.root_motion.position[early] - start.root_motion.position[early]).max() < 1e-12


@pytest.mark.parametrize("side", ["start", "stop"])
def test_standing_feet_slide_no_more_than_they_did(gait, side):
    """Where the clip and the loop are mixed their feet stand in places that are centimetres away."""
    start, loop, stop, body = gait
    clip = start if side == "start" else stop
    joined = (lead_into if side == "start" else follow_on)(clip, loop, body, OVER, BLEND)
    near = slice(-OVER - 1, None) if side == "start" else slice(0, OVER + 1)
    mixed = np.arange(len(clip.motion))[near]

    def slide(one: Moved) -> float:
        contacts = one.contacts.at_frames(mixed)
        cut = replace(
            one.motion,
            rotations=one.motion.rotations[mixed],
            root_translation=one.motion.root_translation[mixed],
        )
        return float(sliding_cm_s(cut, body, contacts).max(initial=0.0))

    assert slide(joined) < max(1.0, slide(clip), slide(loop))


def test_a_clip_that_fits_stays(gait):
    """A loop that leads into itself."""
    _, loop, _, body = gait
    joined = lead_into(loop, loop, body, OVER, BLEND)
    assert np.abs(joined.motion.model()[1] - loop.motion.model()[1]).max() < 1e-9


def test_other_joints_and_rates_are_refused_and_nothing_is_changed(gait):
    start, loop, _, body = gait
    before = start.motion.rotations.copy(), loop.motion.rotations.copy()
    with pytest.raises(InputError, match="the same joints and rate"):
        lead_into(replace(start, motion=replace(start.motion, rate=30.0)), loop, body, OVER, BLEND)
    lead_into(start, loop, body, OVER, BLEND)
    assert np.array_equal(before[0], start.motion.rotations)
    assert np.array_equal(before[1], loop.motion.rotations)


def test_a_foot_in_the_air_is_not_held(gait):
    """The left one stands throughout, the right one nowhere: its leg stays as it was mixed."""
    start, _, _, body = gait
    motion, contacts = start.motion, start.contacts
    foot = contacts.feet.index("leftFoot")
    stands = np.zeros_like(contacts.heel)
    stands[:, foot] = True
    points = foot_points(motion, body)
    part = np.linspace(0, 1, len(motion))
    further = points + np.linspace(0, 0.05, len(motion))[:, None, None, None] * [1.0, 0.0, 0.0]
    held = _hold_feet(
        motion, body, replace(contacts, heel=stands, toe=stands), (points, further), part, BLEND
    )
    for side, moves in (("left", True), ("right", False)):
        legs = [body.require(f"{side}{name}") for name in ("UpperLeg", "LowerLeg")]
        away = quat.angle_between(held.rotations[:, legs], motion.rotations[:, legs]).max()
        assert away > 1e-3 if moves else away < 1e-12
