"""The calm poses that a take comes back to, and what lies between them."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

import synthetic
from labelled_takes import LabelledTake, labelled_take
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.cuts import action_spans
from takemill.cuts.action_signals import Signals, measure_signals
from takemill.cuts.action_spans import Span, find_spans
from takemill.cuts.cuts import suggest_cuts
from takemill.cuts.guards import Guards, find_guards
from takemill.feet.contacts import Contacts, find_contacts
from takemill.maths import quat


def signals_of(motion: Motion) -> Signals:
    body = find_body_map(motion.skeleton)
    step = round(motion.rate / 30)
    return measure_signals(motion, body, find_contacts(motion, body), np.arange(0, len(motion), step))


def spans_of(signals: Signals, guards: Guards) -> list[Span]:
    return find_spans(signals, guards, visit_s=0.25, snap_s=0.35)


@pytest.fixture(scope="module", params=[True, False], ids=["rests", "no rests"])
def take(request: pytest.FixtureRequest) -> LabelledTake:
    return labelled_take(12, 3, ("punch", "walk", "jump"), rests=request.param)


def test_the_guard_is_found_in_every_visit_and_in_no_action(take: LabelledTake) -> None:
    """It bounces, breathes and steps; the middle of each action is far from it."""
    signals = signals_of(take.motion)
    guards = find_guards(signals, 1.5)
    assert guards.count >= 1
    ends = [0, *(end for label in take.labels for end in (label.start, label.stop)), len(take.motion)]
    for start, stop in zip(ends[::2], ends[1::2], strict=True):
        inside = guards.distance[start // 2 + 6 : stop // 2 - 6]
        assert np.median(inside) < 1
    for label in take.labels:
        quarter = (label.stop - label.start) // 8
        assert guards.distance[label.start // 2 + quarter : label.stop // 2 - quarter].max() > 2


def test_where_a_take_stands_and_faces_changes_nothing(take: LabelledTake) -> None:
    turn = quat.from_yaw(2.0)
    rotations = take.motion.rotations.copy()
    rotations[:, 0] = quat.mul(turn, rotations[:, 0])
    moved = Motion(
        take.motion.skeleton,
        take.motion.rate,
        rotations,
        quat.rotate(turn, take.motion.root_translation) + np.array([3.0, -7.0, 0.0]),
    )
    here, there = (find_guards(signals_of(motion), 1.5) for motion in (take.motion, moved))
    np.testing.assert_allclose(there.distance, here.distance, atol=1e-6)
    assert spans_of(signals_of(moved), there) == spans_of(signals_of(take.motion), here)


def test_a_distance_is_that_of_the_best_turn_and_shift() -> None:
    """Against a search over turns; leg lengths, root mean square over the joints."""
    motion = synthetic.walk(rate=30.0, steps=4).motion
    signals = signals_of(motion)
    guards = find_guards(signals, 1.0)
    frame = len(signals) // 2
    rest = np.flatnonzero(guards.distance < 0.3)[0]
    best = np.inf
    for angle in np.linspace(-np.pi, np.pi, 3601):
        turned = signals.floor[frame] * np.exp(1j * angle)
        square = np.abs(turned - signals.floor[rest]) ** 2
        square += (signals.places[frame, :, 2] - signals.places[rest, :, 2]) ** 2
        best = min(best, float(np.sqrt(square.mean())))
    assert guards.away[frame] == pytest.approx(best, abs=0.02)


def test_spans_fill_the_take_and_the_actions_are_the_labels(take: LabelledTake) -> None:
    signals = signals_of(take.motion)
    spans = spans_of(signals, find_guards(signals, 1.5))
    assert [span.start for span in spans] == [0, *(span.stop for span in spans[:-1])]
    assert spans[-1].stop == len(signals)
    assert sum(not span.rest for span in spans) == len(take.labels)


def test_an_arm_that_is_held_out_is_no_guard_and_lying_is_one() -> None:
    punches = labelled_take(5, 8, ("punch",), rests=False)
    signals = signals_of(punches.motion)
    assert find_guards(signals, 1.5).count == 1
    assert sum(not span.rest for span in spans_of(signals, find_guards(signals, 1.5))) == 8
    for seed in (0, 3):  # a hand that points, a bow: both held for more than 1.5 s
        signals = signals_of(labelled_take(seed, 1, ("gesture",), rests=True).motion)
        assert find_guards(signals, 1.5).count == 1
    fall = labelled_take(3, 1, ("fall_faceup",), rests=True)
    signals = signals_of(fall.motion)
    assert find_guards(signals, 1.5).count == 2
    assert [span.rest for span in spans_of(signals, find_guards(signals, 1.5))] == [True, False] * 2 + [True]


@pytest.mark.parametrize(("held_s", "count"), [(1.3, 1), (2.5, 2)])
def test_a_low_pose_is_a_guard_once_it_is_kept(held_s: float, count: int) -> None:
    """Four times low, for less than a rest and for more, each within 0.4 s."""
    still = synthetic.idle(rate=60.0, duration_s=24.0).motion
    t = np.arange(len(still)) / 60.0
    low = np.zeros(len(still))
    for k in range(4):
        begin = 3.0 + 5.0 * k
        low += np.clip((t - begin) / 0.4, 0, 1) - np.clip((t - begin - 0.4 - held_s) / 0.4, 0, 1)
    place = still.root_translation.copy()
    place[:, 2] -= 0.35 * low
    signals = signals_of(still.with_translation(0, place))
    assert find_guards(signals, 1.5).count == count


def test_a_take_that_never_rests_has_no_guard_and_is_one_action() -> None:
    known = synthetic.walk(rate=60.0, steps=12)
    signals = signals_of(known.motion.slice(*known.steady))
    guards = find_guards(signals, 1.5)
    assert guards.count == 0
    assert spans_of(signals, guards) == [Span(0, len(signals), rest=False)]


@pytest.mark.parametrize(
    ("distance", "turn_deg", "step_legs", "matters"),
    [
        (1.0, 0.0, 0.0, False),
        (1.24, 29.0, 0.49, False),
        (1.26, 0.0, 0.0, True),  # reaches from the guard
        (1.0, 31.0, 0.0, True),
        (1.0, -31.0, 0.0, True),
        (1.0, 0.0, 0.51, True),  # leg lengths over the floor
    ],
)
def test_a_stretch_matters_that_leaves_its_guard_turns_or_goes_somewhere(
    distance: float, turn_deg: float, step_legs: float, matters: bool
) -> None:
    count = 20
    middle = np.arange(count) == 10
    places = np.zeros((count, 2, 3))
    places[:, 1] = np.array([0.6, -0.8, 0.0]) * step_legs * middle[:, None] + [0.0, 0.0, 5.0]
    signals = SimpleNamespace(
        places=places, columns={"hips": 1}, steady_heading=np.radians(turn_deg) * middle
    )
    guards = SimpleNamespace(distance=np.where(middle, distance, 0.5))
    assert action_spans._matters(signals, guards, 5, 15) == matters
    assert not action_spans._matters(signals, guards, 11, 20)


def test_a_visit_that_is_too_short_parts_nothing(take: LabelledTake) -> None:
    signals = signals_of(take.motion)
    guards = find_guards(signals, 1.5)
    inner = [span for span in find_spans(signals, guards, visit_s=9.0, snap_s=0.35) if not span.rest]
    assert len(inner) == 1
    assert inner[0].start <= take.labels[0].start // 2 + 6
    assert inner[0].stop >= take.labels[-1].stop // 2 - 6


def test_where_the_floor_is_unclear_slow_feet_stand() -> None:
    """No body flies for seconds: a walk whose contacts are not known is a walk."""
    motion = synthetic.walk(rate=60.0, steps=8).motion
    body = find_body_map(motion.skeleton)
    known = find_contacts(motion, body)
    none = np.zeros_like(known.heel)
    unknown = Contacts(known.rate, known.feet, none, none, known.floor_m)
    kinds = [[cut.kind for cut in suggest_cuts(motion, body, contacts=one)] for one in (known, unknown)]
    assert kinds[0] == kinds[1]
    assert "locomotion" in kinds[1]
