"""Foot events on hand-made contacts and on a walk whose contacts are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import signal

import open_data
import synthetic
from takemill.base.checks import Mask
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.clip.events import Event, EventSettings, foot_events, gait_phase, jump_events, strike_events
from takemill.feet.contacts import Contacts, find_contacts
from takemill.maths import quat
from takemill.repair.repair import repair
from wobble import noisy

FEET = ("leftFoot", "rightFoot")


def contacts(left: str, right: str) -> Contacts:
    """Contacts from strings of x (planted) and . (not), ten a second; the heel only."""
    planted: Mask = np.array([[c == "x" for c in left], [c == "x" for c in right]]).T
    return Contacts(10.0, FEET, planted, np.zeros_like(planted), 0.0)


def test_down_is_the_first_planted_frame_and_up_the_first_after() -> None:
    events = foot_events(contacts("..xx..", "xx..xx"), loop=False)
    assert events == (
        Event("leftFoot.down", 2),
        Event("rightFoot.up", 2),
        Event("leftFoot.up", 4),
        Event("rightFoot.down", 4),
    )


def test_a_loop_counts_the_seam_once() -> None:
    """In a loop the last frame is the first: a foot planted across it neither rises nor lands there."""
    events = foot_events(contacts("xx..xx", "..xx.."), loop=True)
    assert events == (
        Event("leftFoot.up", 2),
        Event("rightFoot.down", 2),
        Event("leftFoot.down", 4),
        Event("rightFoot.up", 4),
    )
    # Lands exactly at the seam: one event at frame 0, none at the last frame.
    assert foot_events(contacts("xx...x", "......"), loop=True) == (
        Event("leftFoot.down", 0),
        Event("leftFoot.up", 2),
    )


def test_a_foot_that_stays_has_no_marks() -> None:
    for loop in (False, True):
        assert foot_events(contacts("xxxx", "...."), loop) == ()
    assert foot_events(contacts("x", "."), loop=True) == ()


def test_a_lift_too_short_for_a_step_is_none() -> None:
    """Seven frames at 60 a second are enough; five are not, over the seam of a loop neither."""
    for gap, count in ((5, 0), (7, 1)):
        planted = np.ones((60, 2), bool)
        planted[20 : 20 + gap, 0] = False
        given = Contacts(60.0, FEET, planted, planted, 0.0)
        assert len(foot_events(given, loop=False)) == 2 * count
        seam = np.roll(planted[:-1], 37, axis=0)  # up from frame 57 on, and on from frame 0
        seam = np.concatenate([seam, seam[:1]])
        assert len(foot_events(Contacts(60.0, FEET, seam, seam, 0.0), loop=True)) == 2 * count
    ends = np.ones((60, 2), bool)
    ends[:3] = ends[-3:] = False
    assert len(foot_events(Contacts(60.0, FEET, ends, ends, 0.0), loop=False)) == 4, (
        "cut off, they may be long"
    )


def test_marks_of_a_walk_lie_near_the_truth() -> None:
    """Truth: the synthetic walk's own footstep plan; that counts the roll-off apart."""
    known = synthetic.walk(rate=60.0, steps=10)
    body = find_body_map(known.motion.skeleton)
    events = foot_events(find_contacts(known.motion, body), loop=False)
    truth = foot_events(Contacts(60.0, FEET, known.heel, known.toe, 0.0), loop=False)
    assert len(truth) >= 20
    assert [event.name for event in events] == [event.name for event in truth]
    assert max(abs(m.frame - t.frame) for m, t in zip(events, truth, strict=True)) <= 4


def punch(rate: float = 60.0) -> tuple[Motion, BodyMap, int]:
    """A straight arm swings forward by a minimum-jerk quintic: its speed peaks half-way."""
    still = synthetic.idle(rate=rate, duration_s=3.0).motion
    start, length = round(rate), round(0.3 * rate)
    t = np.clip((np.arange(len(still)) - start) / length, 0, 1)
    swing = 1.8 * t**3 * (10 - 15 * t + 6 * t * t)
    q = still.rotations.copy()
    arm = still.skeleton.index("right_upper_arm")
    q[:, arm] = quat.mul(quat.exp(swing[:, None] * np.array([-1.0, 0.0, 0.0])), q[:, arm])
    return still.with_rotations(q), find_body_map(still.skeleton), start + length // 2


@pytest.mark.parametrize("seed", range(8))
def test_a_strike_is_marked_at_its_peak_within_a_frame(seed: int) -> None:
    motion, body, peak = punch()
    motion = noisy(motion, seed, 0.3 if seed else 0.0)
    strike, stop = strike_events(motion, body)
    assert strike.name == "rightHand.strike"
    assert abs(strike.frame - peak) <= 1
    assert stop.name == "rightHand.stop"
    # The quintic brakes hardest at (1 + 1/sqrt(3)) / 2 of its way: the zero of its third derivative.
    assert abs(stop.frame - (60 + 18 * (1 + 1 / np.sqrt(3)) / 2)) <= 1.5


def test_the_kick_of_the_open_data_is_a_foot_strike() -> None:
    motion = open_data.humanoid3d("kick")[0]
    events = strike_events(motion, find_body_map(motion.skeleton))
    speed = np.gradient(motion.model()[1], 1 / motion.rate, axis=0)
    body = find_body_map(motion.skeleton)
    hips = speed[:, body.require("hips")]
    feet = {f: np.linalg.norm(speed[:, body.require(f)] - hips, axis=-1) for f in body.feet}
    foot = max(feet, key=lambda f: feet[f].max())
    frames = [event.frame for event in events if event.name == f"{foot}.strike"]
    assert min(abs(frame - int(np.argmax(feet[foot]))) for frame in frames) <= 1


@pytest.mark.parametrize("name", ["punch", "spinkick"])
def test_strikes_under_noise_lie_within_a_frame_of_the_true_peak(name: str) -> None:
    """Truth: SciPy's peaks of the clean speeds, low-passed at 12 Hz."""
    clean = open_data.humanoid3d(name)[0].resampled(60.0)
    body = find_body_map(clean.skeleton)
    places = clean.model()[1] / leg_length(clean.skeleton, body)
    sections = signal.butter(2, 12.0, fs=60.0, output="sos")
    truth = []
    for part, least in (("leftHand", 3.5), ("rightHand", 3.5), ("leftFoot", 5.0), ("rightFoot", 5.0)):
        path = signal.sosfiltfilt(sections, places[:, body.require(part)] - places[:, 0], axis=0)
        speed = np.linalg.norm(np.gradient(path, 1 / 60, axis=0), axis=-1)
        peaks, _ = signal.find_peaks(speed, height=least, distance=15, prominence=0.1 * speed.max())
        truth += [(f"{part}.strike", int(frame)) for frame in peaks]
    assert len(truth) >= 3
    for seed in range(3):
        found = strike_events(repair(noisy(clean, seed), body)[0], body)
        for strike, frame in truth:
            assert min(abs(event.frame - frame) for event in found if event.name == strike) <= 1, (
                seed,
                strike,
            )


def test_a_peak_that_the_clip_cuts_off_is_no_strike() -> None:
    motion, body, peak = punch()
    assert strike_events(motion.slice(0, peak + 2), body) == ()
    assert strike_events(motion.slice(peak - 1, len(motion)), body) == ()
    assert len(strike_events(motion.slice(peak - 9, peak + 9), body)) == 2


@pytest.mark.parametrize(
    ("apart_s", "gap_s", "strikes"), [(0.2, 0.25, [72]), (0.3, 0.25, [60, 78]), (0.3, 0.4, [78])]
)
@pytest.mark.parametrize("rate", [60.0, 120.0])
def test_of_strikes_nearer_than_the_gap_the_fastest_counts(apart_s, gap_s, strikes, rate) -> None:
    """Two swings of an arm, the second a quarter faster; their speeds peak in the middle of each."""
    still = synthetic.idle(rate=rate, duration_s=3.0).motion
    times = np.arange(len(still)) / rate
    swing = np.zeros(len(still))
    for middle_s, size in ((1.0, 1.2), (1.0 + apart_s, -1.5)):
        t = np.clip((times - middle_s) / 0.2 + 0.5, 0, 1)
        swing += size * t**3 * (10 - 15 * t + 6 * t * t)
    q = still.rotations.copy()
    arm = still.skeleton.index("right_upper_arm")
    q[:, arm] = quat.mul(quat.exp(swing[:, None] * np.array([-1.0, 0.0, 0.0])), q[:, arm])
    events = strike_events(
        still.with_rotations(q), find_body_map(still.skeleton), EventSettings(strike_gap_s=gap_s)
    )
    found = [event.frame * 60 / rate for event in events if event.name == "rightHand.strike"]
    assert found == pytest.approx(strikes, abs=1)


def test_a_walk_has_no_strikes_and_no_jumps() -> None:
    known = synthetic.walk(rate=60.0, steps=6)
    body = find_body_map(known.motion.skeleton)
    assert strike_events(known.motion, body) == ()
    assert jump_events(known.motion, body, find_contacts(known.motion, body)) == ()


def test_a_jump_has_take_off_apex_and_landing() -> None:
    still = synthetic.idle(rate=60.0, duration_s=2.0).motion
    body = find_body_map(still.skeleton)
    place = still.root_translation.copy()
    t = np.linspace(0, 1, 25)
    place[40:65, 2] += 1.2 * t * (1 - t)
    planted = np.ones((len(still), 2), bool)
    planted[41:64] = False
    truth = Contacts(60.0, FEET, planted, planted, 0.0)
    events = jump_events(still.with_translation(0, place), body, truth)
    assert events == (Event("takeOff", 41), Event("apex", 52), Event("landing", 64))
    cut = jump_events(still.with_translation(0, place).slice(45, 60), body, truth.sliced(45, 60))
    assert [event.name for event in cut] == ["apex"]


def test_the_phase_is_zero_where_the_left_foot_comes_down() -> None:
    events = (Event("leftFoot.down", 4), Event("rightFoot.down", 9), Event("leftFoot.down", 14))
    phase = gait_phase(events, 20, loop=False)
    assert phase[[4, 9, 14]] == pytest.approx([0, 0.5, 0])
    assert phase[[0, 19]] == pytest.approx([0.6, 0.5])
    assert (gait_phase((), 5, loop=False) == 0).all()
    assert (gait_phase(events[:1], 5, loop=False) == 0).all()


def test_the_phase_of_a_loop_goes_on_over_the_seam() -> None:
    phase = gait_phase((Event("leftFoot.down", 4), Event("rightFoot.down", 9)), 21, loop=True)
    assert phase[[0, 4, 14, 20]] == pytest.approx([0.8, 0.0, 0.5, 0.8])
    two = gait_phase((Event("leftFoot.down", 2), Event("leftFoot.down", 12)), 21, loop=True)
    assert two[[2, 7, 12, 17, 0, 20]] == pytest.approx([0, 0.5, 0, 0.5, 0.8, 0.8])


def test_settings_of_zero_are_refused() -> None:
    motion, body, _ = punch()
    with pytest.raises(InputError, match="strike_speed"):
        strike_events(motion, body, EventSettings(strike_speed=0.0))
    with pytest.raises(InputError, match="air_s"):
        jump_events(motion, body, find_contacts(motion, body), EventSettings(air_s=-1.0))
