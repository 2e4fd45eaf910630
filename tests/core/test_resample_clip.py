"""Finished clips at another rate: closed, standing, and in step with their events."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import day_take
from clip_takes import REST, STRIDE, clip, frames, make
from sliding import sliding_cm_s
from takemill.base.errors import InputError
from takemill.clip.events import Event
from takemill.maths import quat
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import PreparedTake
from takemill.pipeline.resample_clip import resample_clip, retime_clip


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day_take.day()


STRAIGHT = clip("straight", "stroll", 3.2, 8.7, "straight = true\nsmooth_hz = 0.5")
RATES = (24, 25, 30, 50, 90, 120)


def test_a_loop_is_closed_at_any_rate(take):
    for rate in (60, 30, 24, 50, 120):
        (one,) = day_take.make(
            take, day_take.clip(more=f'loop = true\nrate = {rate}\nroot_motion = "in_place"')
        )
        assert one.motion.rate == rate
        assert one.candidate is not None
        assert one.source_range == (one.candidate.start, one.candidate.end + 1)
        assert quat.angle_between(one.motion.rotations[0], one.motion.rotations[-1]).max() < 1e-6
        assert np.abs(one.motion.root_translation[0] - one.motion.root_translation[-1]).max() < 1e-6
        taken = (one.candidate.end - one.candidate.start) / 60
        assert one.motion.duration_s == pytest.approx(taken, abs=0.5 / rate + 1e-9)
        assert len(one.contacts.heel) == len(one.motion)
        assert (one.contacts.planted[0] == one.contacts.planted[-1]).all()
        assert one.contacts.rate == rate


@pytest.mark.parametrize("rate", [24, 25, 30, 50, 60])
def test_a_loop_fills_whole_frames_and_keeps_its_way(rate):
    one = make(clip("walk", "stroll", 4, 8, STRIDE + f"rate = {rate}"), "stroll")["walk"]
    full = make(clip("walk", "stroll", 4, 8, STRIDE), "stroll")["walk"]
    frames = full.motion.duration_s * rate
    assert len(one.motion) - 1 == round(frames)
    assert one.root_motion.distance_m == pytest.approx(full.root_motion.distance_m, abs=1e-6)
    assert one.root_motion.turn_deg == pytest.approx(full.root_motion.turn_deg, abs=1e-4)
    # Played even: no frame is shorter than the others.
    speeds = np.linalg.norm(np.diff(one.root_motion.position[:, :2], axis=0), axis=-1)
    assert speeds.min() > 0.85 * speeds.mean()


def edges(one: FinishedClip) -> set[tuple[str, int]]:
    """Where the contacts as they were found begin and end: a loop's last frame is its first again."""
    assert one.touches is not None
    last, out = len(one.motion) - 1, set()
    for foot in one.touches.feet:
        planted = one.touches.planted[:, one.touches.feet.index(foot)]
        for frame in range(0 if one.loop else 1, last if one.loop else last + 1):
            before = planted[frame - 1 if frame else last - 1]
            if planted[frame] != before:
                out.add((f"{foot}.{'down' if planted[frame] else 'up'}", frame))
    return out


@pytest.mark.parametrize("rate", RATES)
def test_foot_events_lie_where_the_contacts_begin_and_end(rate):
    """By a slow walk over the frames of the contacts that were sampled."""
    text = clip("walk", "stroll", 4, 8, STRIDE) + STRAIGHT + clip("plain", "stroll", 3.2, 8.7)
    text += '[[variant]]\nof = "walk"\nmirror = true\n[[variant]]\nof = "straight"\nspeed = 1.3\n'
    for one in make(f"rate = {rate}\n" + text, "stroll").values():
        told = {(event.name, event.frame) for event in one.events}
        assert len(told) >= 4
        assert told == edges(one)


@pytest.mark.parametrize("rate", RATES)
def test_pinned_feet_stand_still_at_any_rate(rate):
    """Between frames that are left out or put in a foot would move: it is pinned again."""
    for text in (clip("walk", "stroll", 4, 8, STRIDE), STRAIGHT):
        (own,) = make(text, "stroll").values()
        one = resample_clip(own, rate)
        assert one.motion.rate == rate
        assert sliding_cm_s(one.motion, one.body, one.contacts, one.loop).max() < 0.01
        # Pinned from what was found, not from what the first pinning kept: no more of it is lost.
        kept = [each.contacts.planted.mean() / each.touches.planted.mean() for each in (one, own)]
        assert kept[0] > kept[1] - 1.5 / rate * 60 / 22  # a frame or so of each step


def test_feet_that_were_not_pinned_are_sampled_as_they_are():
    """Not pinned at the take's rate: every other frame is the take's own."""
    (own,) = make(clip("plain", "stroll", 3.2, 8.7), "stroll").values()
    assert not own.is_pinned
    half = resample_clip(own, 30)
    np.testing.assert_allclose(half.motion.model()[1], own.motion.model()[1][::2], atol=1e-12)


@pytest.mark.parametrize("rate", RATES)
def test_ends_in_the_neutral_pose_stay_there(rate):
    """Seen from the root joint; also where they are far from it, of mirrored and of faster clips."""
    text = f'rate = {rate}\nneutral = "rest"\nblend_frames = 6\n' + REST + STRAIGHT
    text += clip("turn", "turn", 0.6, 5.4, "turn_deg = 180")
    for of in ("straight", "turn"):
        text += f'[[variant]]\nof = "{of}"\nmirror = true\n[[variant]]\nof = "{of}"\nspeed = 1.3\n'
    clips = make(text, "rest", "stroll", "turn")
    neutral = from_root(clips.pop("rest"))[0]
    assert len(clips) == 6
    for name, one in clips.items():
        assert one.is_pinned
        for end in (0, -1):
            assert np.abs(from_root(one)[end] - neutral).max() < 1e-6, (name, end)
        inner = slice(one.blend_frames, len(one.motion) - one.blend_frames)
        motion, contacts = (
            one.motion.slice(inner.start, inner.stop),
            one.contacts.sliced(inner.start, inner.stop),
        )
        assert contacts.planted.mean() > 0.4
        assert one.contacts.planted[[0, -1]].all() or "turn" not in name  # it stands there
        assert sliding_cm_s(motion, one.body, contacts).max() < 0.01


def from_root(one: FinishedClip) -> np.ndarray:
    root = one.body.require("root")
    turns, places = one.motion.model()
    return quat.rotate(quat.inv(turns[:, root])[:, None], places - places[:, root, None])


def test_events_that_were_moved_stay_moved():
    """They are mapped to the new frames, not found again."""
    own = make(clip("walk", "stroll", 4, 8, STRIDE), "stroll")["walk"]
    shift = 6 + frames(own, "rightFoot.down")[0] % 2  # onto a frame that half the rate has too
    moved = tuple(
        replace(event, frame=event.frame - shift) if event.name == "rightFoot.down" else event
        for event in own.events
        if event.name != "rightFoot.up"
    )
    one = resample_clip(replace(own, events=(*moved, Event("lantern", 12))), 30)
    assert frames(one, "rightFoot.down") == [(frames(own, "rightFoot.down")[0] - shift) / 2]
    assert frames(one, "rightFoot.up") == []
    assert frames(one, "lantern") == [6]


def test_a_rate_that_is_only_written_shorter_changes_no_frame():
    """A BVH file says 0.008333 s for 120 frames a second."""
    own = make(clip("plain", "stroll", 3.2, 8.7), "stroll")["plain"]
    near = replace(
        own,
        motion=replace(own.motion, rate=1 / 0.016667),
        root_motion=replace(own.root_motion, rate=1 / 0.016667),
    )
    one = resample_clip(near, 60)
    assert one.motion.rate == one.contacts.rate == one.root_motion.rate == 60
    np.testing.assert_allclose(one.motion.rotations, near.motion.rotations, atol=1e-15)
    assert one.events == own.events
    assert resample_clip(own, 60) is own
    assert resample_clip(own) is own


def test_a_clip_that_would_vanish_is_refused():
    own = make(clip("plain", "stroll", 3.2, 3.4), "stroll")["plain"]
    with pytest.raises(InputError, match=r"clip 'plain': 13 frames would become fewer than two"):
        resample_clip(own, 1)
    with pytest.raises(InputError, match="fewer than two"):
        retime_clip(own, 100)


def test_the_clip_at_its_own_rate_stays_as_it_is():
    own = make(STRAIGHT, "stroll")["straight"]
    before = own.motion.rotations.copy(), own.contacts.heel.copy(), own.events
    resample_clip(own, 30)
    np.testing.assert_array_equal(own.motion.rotations, before[0])
    np.testing.assert_array_equal(own.contacts.heel, before[1])
    assert own.events == before[2]
