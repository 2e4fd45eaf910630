"""Loops played on, and feet that stand across their seam."""

from __future__ import annotations

import numpy as np
import pytest

import open_data
import synthetic
from sliding import sliding_cm_s
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.clip.measure import measure_seam
from takemill.clip.root_motion import find_root_motion
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.soles import foot_points
from takemill.loops import loop_feet
from takemill.loops.loop_close import close_loop, close_range
from takemill.loops.loop_feet import pin_loop, repeat_loop
from takemill.loops.loop_search import find_loops
from takemill.maths import quat
from takemill.repair.repair import repair
from wobble import noisy

FEET = ("leftFoot", "rightFoot")


def test_a_repeated_loop_is_what_the_tests_own_chaining_makes() -> None:
    for name in ("walk", "walker/turn_left1", "spinkick"):
        motion = open_data.humanoid3d(name)[0]
        body = find_body_map(motion.skeleton)
        loop = close_loop(motion, body)
        ours, theirs = repeat_loop(loop, body, 4), open_data.repeated(loop, 4)
        assert np.abs(ours.model()[1] - theirs.model()[1]).max() < 1e-9


def test_every_cycle_of_ten_travels_alike() -> None:
    motion = open_data.humanoid3d("walker/turn_left1")[0]
    body = find_body_map(motion.skeleton)
    loop = close_loop(motion, body)
    ten = find_root_motion(repeat_loop(loop, body, 10), body)
    length = len(loop) - 1
    at = ten.position[::length]
    steps = quat.rotate(quat.from_yaw(-ten.heading[::length][:-1]), np.diff(at, axis=0))
    assert np.ptp(steps, axis=0).max() < 1e-6
    assert np.ptp(np.diff(ten.heading[::length])) < 1e-6


def sliding_loop() -> tuple[Motion, BodyMap, Contacts]:
    """One cycle of the synthetic walk with slow drift of the legs, so that its feet slide; closed."""
    known = synthetic.walk(rate=60.0, steps=12)
    body = find_body_map(known.motion.skeleton)
    start = known.steady[0]
    cut = slice(start, start + known.period + 1)
    motion = known.motion.slice(cut.start, cut.stop)
    t = np.linspace(0, 2 * np.pi, len(motion))
    q = motion.rotations.copy()
    for part, phase in (("leftUpperLeg", 0.0), ("rightUpperLeg", 1.0)):
        joint = body.require(part)
        sway = 0.02 * np.sin(2 * t + phase)[:, None] * np.array([1.0, 0.5, 0.0])
        q[:, joint] = quat.mul(q[:, joint], quat.exp(sway))
    return (
        close_loop(motion.with_rotations(q), body),
        body,
        Contacts(60.0, FEET, known.heel[cut], known.toe[cut], 0.0),
    )


def test_pinned_feet_stand_also_over_the_seam() -> None:
    loop, body, contacts = sliding_loop()
    assert contacts.planted[[0, -1]].any(axis=1).all(), "a foot is planted across the seam"
    before = sliding_cm_s(loop, body, contacts, loop=True)
    pinned, kept = pin_loop(loop, body, contacts)
    after = sliding_cm_s(pinned, body, kept, loop=True)
    assert np.median(before) > 1.0
    assert after.max() < 0.1
    assert (kept.heel[0] == kept.heel[-1]).all()


def best_loop(take: Motion, body: BodyMap) -> tuple[Motion, Contacts]:
    """The take's best loop, closed, and its contacts as the take has them."""
    best = find_loops(take, body)[0]
    contacts = find_contacts(take, body).sliced(best.start, best.end + 1)
    return close_range(take, body, best.start, best.end), contacts


def test_feet_that_roll_stand_too() -> None:
    """A noisy walk on an arc: at the change from flat to ball the pinning alone lets a foot slip."""
    known = synthetic.walk(rate=60.0, steps=14, turn_deg=70.0)
    body = find_body_map(known.motion.skeleton)
    take, _ = repair(noisy(known.motion.slice(*known.steady), 0), body)
    loop, contacts = best_loop(take, body)
    pinned, kept = pin_loop(loop, body, contacts)
    assert kept.planted.sum() > 0.9 * contacts.planted.sum()
    assert sliding_cm_s(pinned, body, kept, loop=True).max() < 0.1
    assert np.linalg.norm(pinned.model()[1] - loop.model()[1], axis=-1).mean() < 0.005
    assert measure_seam(pinned, body).pose_m < 1e-9


def test_the_feet_of_a_run_stand_while_they_bear() -> None:
    """They are down for a sixth of a second, of which they land and leave for the most."""
    take = open_data.repeated(open_data.humanoid3d("run")[0], 4).resampled(60.0)
    body = find_body_map(take.skeleton)
    take, _ = repair(noisy(take, 0), body)
    loop, contacts = best_loop(take, body)
    pinned, kept = pin_loop(loop, body, contacts)
    assert kept.planted.sum() > 0.4 * contacts.planted.sum()
    assert sliding_cm_s(pinned, body, kept, loop=True).max() < 0.1
    assert np.linalg.norm(pinned.model()[1] - loop.model()[1], axis=-1).mean() < 0.01


def test_feet_that_slide_fast_do_not_carry_the_body_along() -> None:
    """A walk whose contacts claim that both feet always stand: a foot that swings is not believed."""
    loop, body, contacts = sliding_loop()
    always = np.ones_like(contacts.heel)
    pinned, kept = pin_loop(loop, body, Contacts(60.0, FEET, always, always, 0.0))
    swings = ~contacts.planted
    assert kept.planted[swings].mean() < 0.2
    assert sliding_cm_s(pinned, body, kept, loop=True).max() < 0.3
    assert np.linalg.norm(pinned.model()[1] - loop.model()[1], axis=-1).mean() < 0.03


@pytest.mark.parametrize(("legs_s", "believed"), [(0.2, True), (0.35, True), (0.5, False), (1.0, False)])
def test_a_foot_counts_as_standing_below_four_tenths_of_a_leg_a_second(legs_s: float, believed: bool) -> None:
    """A body in one pose that slides as a whole, and contacts that were found but not pinned."""
    known = synthetic.walk(rate=60.0, steps=4)
    body, frames = find_body_map(known.motion.skeleton), 21
    root = np.repeat(known.motion.root_translation[:1], frames, axis=0)
    root[:, 1] -= legs_s * leg_length(known.motion.skeleton, body) * np.arange(frames) / 60
    root[:, 2] -= 0.1  # bent knees reach
    motion = Motion(known.motion.skeleton, 60.0, np.repeat(known.motion.rotations[:1], frames, axis=0), root)
    down = np.zeros((frames, 2), dtype=bool)
    down[5:14] = True
    nothing = np.zeros_like(down)
    found = Contacts(60.0, FEET, down, down, 0.0)
    held, kept = loop_feet._hold_feet(motion, body, found, Contacts(60.0, FEET, nothing, nothing, 0.0), 4)
    assert kept.planted.any() == believed
    step = np.linalg.norm(np.diff(foot_points(held, body)[5:14, ..., :2], axis=0), axis=-1).max() * 60
    assert (step < 0.01) == believed


def test_a_pinned_loop_is_closed_and_travels_as_before() -> None:
    loop, body, contacts = sliding_loop()
    pinned, _ = pin_loop(loop, body, contacts)
    assert measure_seam(pinned, body).pose_m < 1e-6
    ways = [find_root_motion(motion, body) for motion in (loop, pinned)]
    assert ways[0].turn_deg == pytest.approx(ways[1].turn_deg, abs=1e-6)
    steps = [way.position[-1] - way.position[0] for way in ways]
    assert steps[0] == pytest.approx(steps[1], abs=1e-6)


def test_a_loop_in_the_air_stays_and_bad_input_is_refused() -> None:
    loop, body, contacts = sliding_loop()
    none = Contacts(60.0, FEET, contacts.heel & False, contacts.toe & False, 0.0)
    assert pin_loop(loop, body, none)[0] is loop
    with pytest.raises(InputError, match="contacts"):
        pin_loop(loop, body, contacts.sliced(0, 5))
    with pytest.raises(InputError, match="repeat"):
        repeat_loop(loop, body, 0)
    with pytest.raises(InputError, match="repeat"):
        repeat_loop(loop.slice(0, 1), body, 2)
