"""A closed loop: equal ends, no seam, its way and turn kept, and near the take."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import open_data
import synthetic
from takemill.base.checks import Array
from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.clip.root_motion import (
    add_root_joint,
    find_root_motion,
    steady_root_motion,
    without_root_motion,
)
from takemill.loops.loop_close import CloseSettings, close_loop, close_range, exact_end
from takemill.loops.loop_search import LoopSettings, find_loops
from takemill.loops.ring import solve_ring
from takemill.maths import quat
from wobble import noisy

RATE = 60.0


def loop_of(name: str, seed: int = 0) -> tuple[Motion, Motion, BodyMap]:
    """The best loop of five noisy cycles as cut from the take, and closed with its neighbours' help."""
    motion = noisy(open_data.repeated(open_data.humanoid3d(name)[0], 5).resampled(RATE), seed)
    body = find_body_map(motion.skeleton)
    best = find_loops(motion, body)[0]
    cut = motion.slice(best.start, best.end + 1)
    return cut, close_range(motion, body, best.start, best.end), body


def in_place(motion: Motion, body: BodyMap) -> Motion:
    return without_root_motion(motion, steady_root_motion(find_root_motion(motion, body)))


def chained(motion: Motion, body: BodyMap, count: int) -> Array:
    """Joint positions of the in-place pose, `count` cycles without the doubled frames."""
    positions = in_place(motion, body).model()[1]
    return np.concatenate([positions[:-1]] * count)


@pytest.mark.parametrize("name", ["walk", "run", "spinkick", "walker/turn_left0"])
def test_the_last_pose_equals_the_first(name: str) -> None:
    cut, closed, body = loop_of(name)
    still = in_place(closed, body)
    assert np.abs(still.model()[1][-1] - still.model()[1][0]).max() < 1e-6
    assert quat.angle_between(still.rotations[-1], still.rotations[0]).max() < 1e-6
    # The cut's way and turn take its first hips to its last, and the loop's first pose to its last.
    way = find_root_motion(cut, body)
    turn = quat.from_yaw(way.heading[-1] - way.heading[0])
    p = closed.model()[1]
    assert np.abs(way.position[-1] + quat.rotate(turn, p[0] - way.position[0]) - p[-1]).max() < 1e-6
    assert find_root_motion(closed, body).turn_deg == pytest.approx(way.turn_deg, abs=1e-6)


@pytest.mark.parametrize("name", ["walk", "run", "dance_a"])
def test_the_seam_is_no_rougher_than_the_rest(name: str) -> None:
    _, closed, body = loop_of(name, 1)
    path = chained(closed, body, 3)
    seam = len(closed) - 1
    for order in (1, 2):
        change = np.linalg.norm(np.diff(path, order, axis=0), axis=-1).mean(axis=1)
        at_seam = change[seam - order : seam + 1].max()
        assert at_seam <= np.percentile(change[:seam], 99)


def test_a_gap_of_known_size_is_closed_smoothly() -> None:
    """A drifting idle: the plain cut jumps by decimetres, the closed loop moves at the seam as anywhere."""
    still = synthetic.idle(rate=RATE, duration_s=8.0).motion  # breathes every 4 s: 0 s and 8 s would match
    body = find_body_map(still.skeleton)
    t = np.linspace(0, 1, len(still))
    q = still.rotations.copy()
    spine = still.skeleton.index("spine")
    q[:, spine] = quat.mul(q[:, spine], quat.exp((0.2 * t + 0.1 * t**2)[:, None] * np.array([1.0, 0.3, 0.0])))
    drifting = still.with_rotations(q)
    jump = np.abs(np.diff(chained(drifting, body, 2), axis=0)).max(axis=(1, 2))[len(still) - 2]
    step = np.abs(np.diff(chained(close_loop(drifting, body), body, 2), axis=0)).max(axis=(1, 2))
    assert jump > 0.1
    assert step[len(still) - 2] < np.percentile(step, 95)


def test_a_cycle_that_is_closed_already_stays() -> None:
    """A loop without a gap in pose, speed or acceleration is no task."""
    count = 121
    skeleton = synthetic.skeleton()
    phase = np.linspace(0, 2 * np.pi, count)
    turns = 0.3 * np.sin(phase[:, None] + np.arange(len(skeleton)))[..., None] * [1.0, 0.5, 0.2]
    turns[:, 0] = 0
    motion = Motion(skeleton, RATE, quat.exp(turns), np.tile([0.0, 0.0, 0.9], (count, 1)))
    closed = close_loop(motion, find_body_map(skeleton), CloseSettings(spread="seam"))
    assert quat.angle_between(closed.rotations, motion.rotations).max() < 2e-4


def test_a_closed_loop_stays_near_the_take() -> None:
    for name, limit_m in (("walk", 0.02), ("run", 0.02)):
        cut, closed, _ = loop_of(name)
        away = np.linalg.norm(closed.model()[1] - cut.model()[1], axis=-1)
        assert away.mean() < limit_m


def test_steps_change_near_the_seam_only_and_idles_throughout() -> None:
    motion = open_data.repeated(open_data.humanoid3d("walk")[0], 5).resampled(RATE).slice(0, 360)
    body = find_body_map(motion.skeleton)
    seam = close_loop(motion, body, CloseSettings(spread="seam", seam_s=0.2))
    turned = quat.angle_between(seam.rotations, motion.rotations).max(axis=1)
    assert turned[[0, -1]].min() > np.radians(5)
    assert turned[24:-24].max() < 0.15 * turned[0]  # twice seam_s away
    assert turned[72:-72].max() < 0.01 * turned[0]
    whole = close_loop(motion, body, CloseSettings(spread="whole"))
    assert quat.angle_between(whole.rotations, motion.rotations)[90].max() > 0.2 * turned[0]


@pytest.mark.parametrize("reach", [3.0, 20.0, np.inf])
@pytest.mark.parametrize("frames", [2, 3, 4, 9, 40])
def test_the_step_is_what_plain_least_squares_find(frames: int, reach: float) -> None:
    """The periodic step whose bend comes nearest to the change, kept small by 1 / reach^4."""
    change = np.random.default_rng(frames).normal(size=(frames - 1, 2, 3))
    count = frames - 1
    bend = np.zeros((count, count))
    for k in range(count):
        for other, weight in ((k - 1, 1.0), (k, -2.0), (k + 1, 1.0)):
            bend[k, other % count] += weight
    rows = np.concatenate([bend, reach**-2 * np.eye(count)])
    wanted = np.concatenate([change.reshape(count, -1), np.zeros((count, 6))])
    slow = np.linalg.lstsq(rows, wanted, rcond=1e-12)[0]  # of equals the smallest
    ours = solve_ring(change, reach)
    assert np.abs(ours - slow.reshape(change.shape)).max() < 1e-9


def test_the_seam_bends_as_the_take_does() -> None:
    """Beside a seam of a drifting take the acceleration is the take's own, in both readings alike."""
    one = open_data.humanoid3d("walk")[0]
    take = open_data.repeated(one, 5).resampled(RATE)
    body = find_body_map(take.skeleton)
    lean = np.linspace(-1, 1, len(take))[:, None, None] * np.full((len(one.skeleton), 3), 0.1)
    take = take.with_rotations(quat.mul(take.rotations, quat.exp(lean)))
    period = round((len(one) - 1) * RATE / one.rate)
    start, end = period, 2 * period
    loop = in_place(close_range(take, body, start, end), body)
    around = np.concatenate([loop.model()[1][-12:-1], loop.model()[1][:12]])
    own = in_place(take.slice(start, end + 1), body).model()[1]
    added = np.linalg.norm(np.diff(around, 2, axis=0)[[9, 11]] - np.diff(own, 2, axis=0)[[-1, 0]], axis=-1)
    jump = np.linalg.norm(own[-1] - own[0], axis=-1)
    assert jump.mean() > 0.02
    assert added.mean() < 0.02 * jump.mean()  # a linear cross-fade of ten frames adds a tenth


def test_translation_tracks_close_too() -> None:
    motion = open_data.humanoid3d("walk")[0]
    track = np.linspace(0, 0.1, len(motion))[:, None] * np.array([1.0, 0.0, 0.0]) + [0, 0, 0.24]
    closed = close_loop(motion.with_translation(1, track), find_body_map(motion.skeleton))
    assert np.abs(closed.translations[1][0] - closed.translations[1][-1]).max() < 1e-12


@pytest.mark.parametrize("start", [0, 3, 76])
@pytest.mark.parametrize("name", ["walker/turn_left1", "run"])
def test_frames_around_the_range_may_be_few(name: str, start: int) -> None:
    motion = open_data.repeated(open_data.humanoid3d(name)[0], 4).resampled(RATE)
    body = find_body_map(motion.skeleton)
    for end in (start + 71, len(motion) - 3, len(motion) - 1):
        still = in_place(close_range(motion, body, start, end), body)
        assert len(still) == end - start + 1
        assert np.abs(still.model()[1][-1] - still.model()[1][0]).max() < 1e-6


def test_a_true_cycle_is_left_alone_by_its_neighbours() -> None:
    """Where the take repeats exactly, both readings of the seam are one: along a turning way too."""
    motion = open_data.repeated(open_data.humanoid3d("walker/turn_left1")[0], 4)
    body = find_body_map(motion.skeleton)
    period = (len(motion) - 1) // 4
    closed = close_range(motion, body, period, 2 * period, CloseSettings(seam_s=0.5))
    clip = motion.slice(period, 2 * period + 1)
    # The file's last frame meets its first to about 1e-6 only.
    assert np.abs(closed.model()[1] - clip.model()[1]).max() < 1e-4


def test_neighbours_bring_the_loop_nearer_to_the_take() -> None:
    cut, closed, body = loop_of("run", 2)
    alone = close_loop(cut, body)
    away, away_alone = (np.abs(x.model()[1] - cut.model()[1]).mean() for x in (closed, alone))
    assert away < 0.5 * away_alone


@pytest.mark.parametrize(("last", "seam_s"), [(12, 0.3), (13, 0.3), (60, 0.1)])
def test_neighbours_count_as_far_as_the_seam_and_half_the_loop_on_both_sides(
    last: int, seam_s: float
) -> None:
    """Frames of the take are bent one by one: those nearer change the loop, those farther off do not."""
    rng = np.random.default_rng(4)
    skeleton = synthetic.skeleton()
    vectors = 0.02 * np.cumsum(rng.normal(size=(120, len(skeleton), 3)), axis=0)
    take = Motion(skeleton, RATE, quat.exp(vectors), np.tile(skeleton.rest_translation[0], (120, 1)))
    body, settings = find_body_map(skeleton), CloseSettings(seam_s=seam_s)
    before, loop, after = take.slice(0, 30), take.slice(30, 31 + last), take.slice(30 + last, 120)
    parts = {"before": before, "after": after}
    closed = close_loop(loop, body, settings, **parts)
    elbow = skeleton.index("left_lower_arm")
    for name, part in parts.items():
        counted = 0
        for k in range(20):
            frame = len(before) - 1 - k if name == "before" else k
            q = part.rotations.copy()
            q[frame, elbow] = quat.mul(quat.exp(np.array([0.1, 0.0, 0.0])), q[frame, elbow])
            bent = close_loop(loop, body, settings, **{**parts, name: part.with_rotations(q)})
            counted += np.abs(bent.rotations - closed.rotations).max() > 1e-6
        assert counted == min(round(seam_s * RATE), last // 2), name


@pytest.mark.parametrize("name", ["walk", "run", "walker/turn_left0"])
def test_a_cycle_of_broken_length_is_warped_to_whole_frames(name: str) -> None:
    """A period of 61.3 frames: its end is found within a tenth of a frame, and all of it plays evenly."""
    one = open_data.humanoid3d(name)[0]
    period = 61.3
    count = int(4 * period)
    take = open_data.repeated(one, 5).sampled(np.arange(count) * (len(one) - 1) / period, RATE)
    body = find_body_map(take.skeleton)
    for start, cycles in ((40, 1), (0, 2), (count - 186, 3)):
        end = start + round(cycles * period)
        exact = exact_end(take, body, start, end)
        assert exact == pytest.approx(start + cycles * period, abs=0.1)
        assert abs(exact - end) < 0.5
        # Frame by frame the warped loop is the take at the phase it should have.
        loop = close_range(take, body, start, end, CloseSettings(warp=True))
        phase = start + np.arange(len(loop)) * cycles * period / (end - start)
        clean = take.sampled(np.minimum(phase, count - 1), RATE)
        inner = slice(16, -16)
        warped = quat.angle_between(loop.rotations[inner], clean.rotations[inner]).mean()
        plain = close_range(take, body, start, end)
        assert len(loop) == len(plain) == end - start + 1
        assert warped < 0.4 * quat.angle_between(plain.rotations[inner], clean.rotations[inner]).mean()


def test_a_cycle_of_whole_frames_or_without_neighbours_is_not_warped() -> None:
    motion = open_data.humanoid3d("walk")[0]
    body = find_body_map(motion.skeleton)
    assert exact_end(motion, body, 0, len(motion) - 1) == len(motion) - 1
    many = open_data.repeated(motion, 3)
    period = len(motion) - 1
    assert exact_end(many, body, 5, 5 + period) == pytest.approx(5 + period, abs=1e-3)
    frozen = many.sampled(np.zeros(50), RATE)
    assert exact_end(frozen, body, 10, 40) == 40
    # Far from a repeat the length still changes by less than half a frame.
    assert abs(exact_end(many, body, 5, 5 + period // 2) - 5 - period // 2) < 0.5


@pytest.mark.parametrize("frames", [2, 3, 4, 7])
def test_the_shortest_loops_close(frames: int) -> None:
    motion = open_data.humanoid3d("walk")[0].slice(0, frames)
    body = find_body_map(motion.skeleton)
    still = in_place(close_loop(motion, body), body)
    assert np.abs(still.model()[1][-1] - still.model()[1][0]).max() < 1e-6


def test_the_input_is_left_alone_and_bad_settings_are_refused() -> None:
    motion = open_data.humanoid3d("walk")[0]
    body = find_body_map(motion.skeleton)
    before = motion.rotations.copy()
    close_loop(motion, body)
    assert (motion.rotations == before).all()
    for settings in (
        CloseSettings(spread="smooth"),
        replace(CloseSettings(), seam_s=0.0),
        replace(CloseSettings(), seam_s=float("nan")),
    ):
        with pytest.raises(InputError):
            close_loop(motion, body, settings)
    with pytest.raises(InputError, match="two frames"):
        close_loop(motion.slice(0, 1), body)
    with pytest.raises(InputError):
        find_loops(motion, body, LoopSettings(window_s=-1.0))


def test_a_root_joint_changes_nothing() -> None:
    """On a way that turns, too, where root and hips would each take a half of it."""
    motion = noisy(synthetic.walk(rate=RATE, steps=10, turn_deg=200.0).motion, 3)
    body = find_body_map(motion.skeleton)
    best = find_loops(motion, body)[0]
    plain = close_range(motion, body, best.start, best.end)
    rooted = close_range(*add_root_joint(motion, body), best.start, best.end)
    assert np.abs(plain.model()[1] - rooted.model()[1][:, 1:]).max() < 1e-9
