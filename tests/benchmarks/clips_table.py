"""What cutting, looping and travelling are worth, in one table per question.

`python tests/benchmarks/clips_table.py [--seeds N] [QUESTION ...]`, questions: periods seams travel marks
mirror speed words. The motions are the wrapping DeepMimic references of the pybullet wheel, repeated five
times at 60 frames a second with seeded noise of 0.3 degrees and 2 % tempo wobble (tests/wobble.py), and the
synthetic walk and idle.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from scipy import signal

import open_data
import synthetic
from takemill import quat
from takemill.body_map import BodyMap, find_body_map
from takemill.checks import Array
from takemill.contacts import find_contacts
from takemill.errors import TakemillError
from takemill.loop_close import close_range
from takemill.loop_feet import pin_loop, repeated
from takemill.loop_search import LoopCandidate, LoopSettings, find_loops
from takemill.marks import foot_marks, strike_marks
from takemill.measure import measure_seam, sliding_cm_s
from takemill.mirror import mirrored, mirrored_marks
from takemill.motion import Motion
from takemill.repair import repair
from takemill.travel import (
    TravelSettings,
    apply_travel,
    find_travel,
    steady_travel,
    with_travel,
    without_travel,
)
from takemill.travel_shape import ShapeSettings, shape_travel
from wobble import noisy, wobbled

RATE = 60.0
SEARCH = LoopSettings(longest_s=6.0)
SEEDS = 20


def wraps() -> list[str]:
    return [name for name in open_data.HUMANOID3D if open_data.humanoid3d(name)[1]]


def uneven(name: str, seed: int) -> tuple[Motion, BodyMap, Array, float]:
    """Five uneven cycles, the body, the even frame of each frame, and the period in even frames."""
    one = open_data.humanoid3d(name)[0]
    motion, frames = wobbled(open_data.repeated(one, 5), seed, RATE)
    return noisy(motion, seed), find_body_map(one.skeleton), frames, float(len(one) - 1)


def periods() -> None:
    """The loop's length against the period: its phase must be a whole number within one frame at 60 fps."""
    print(f"periods, {SEEDS} seeds each: share within 1 frame, largest error (frames), cycles found")
    for name in wraps():
        errors, cycles = [], set()
        for seed in range(SEEDS):
            motion, body, frames, period = uneven(name, seed)
            best = find_loops(motion, body, SEARCH)[0]
            turns = (frames[best.end] - frames[best.start]) / period
            cycles.add(max(round(turns), 1))
            errors.append(
                abs(turns - max(round(turns), 1)) * period * RATE / open_data.humanoid3d(name)[0].rate
            )
        found = np.array(errors)
        print(f"  {name:22} {100 * np.mean(found <= 1):6.1f} %  {found.max():5.2f}  {sorted(cycles)}")


def plain_cut(take: Motion, start: int, end: int) -> Motion:
    """The frames as they are, the last one's pose replaced by the first one's where the last one stands."""
    clip = take.slice(start, end + 1)
    body = find_body_map(take.skeleton)
    steady = steady_travel(find_travel(clip, body))
    still = without_travel(clip, steady)
    q, p = still.rotations.copy(), still.root_translation.copy()
    q[-1], p[-1] = q[0], p[0]
    return with_travel(replace(still, rotations=q, root_translation=p), steady)


def cross_fade(take: Motion, start: int, end: int, frames: int = 10) -> Motion:
    """The last frames fade linearly into the take's frames before the start (or into the start pose)."""
    clip = take.slice(start, end + 1)
    body = find_body_map(take.skeleton)
    track = find_travel(take, body)
    steady = steady_travel(find_travel(clip, body))
    still = without_travel(clip, steady)
    q, p = still.rotations.copy(), still.root_translation.copy()
    if start >= frames:
        before = take.slice(start - frames, start + 1)
        turn = track.heading[end] - track.heading[start]
        moved = quat.rotate(quat.from_yaw(turn), before.root_translation - track.position[start])
        there = before.rotations.copy()
        there[:, 0] = quat.mul(quat.from_yaw(turn), there[:, 0])
        there_p = moved + track.position[end]
        way = steady_travel(find_travel(clip, body))
        last = replace(way, position=way.position[-frames - 1 :], heading=way.heading[-frames - 1 :])
        goal = without_travel(Motion(take.skeleton, take.rate, there, there_p), last)
        goal_q, goal_p = goal.rotations, goal.root_translation
    else:
        goal_q, goal_p = np.repeat(q[:1], frames + 1, 0), np.repeat(p[:1], frames + 1, 0)
    part = np.linspace(0, 1, frames + 1)
    q[-frames - 1 :] = quat.slerp(q[-frames - 1 :], goal_q, part[:, None])
    p[-frames - 1 :] += (goal_p - p[-frames - 1 :]) * part[:, None]
    q[-1], p[-1] = q[0], p[0]
    return with_travel(replace(still, rotations=q, root_translation=p), steady)


def added_acceleration(take: Motion, loop: Motion, start: int, end: int) -> float:
    """The largest acceleration (mean of the joints, per frame twice) that a closing adds to the take's own.

    Before the seam the take's frames up to `end` count, after it those from `start` on, at the seam their
    mean.
    """
    body = find_body_map(take.skeleton)
    reach = min(20, (end - start) // 2)
    steady = steady_travel(find_travel(take.slice(start, end + 1), body))
    chain = without_travel(loop, steady).model()[1]
    here = without_travel(take.slice(start, end + 1), steady).model()[1]
    around = np.concatenate([chain[-reach - 2 :], chain[1 : reach + 2]])
    change = np.diff(around, 2, axis=0)
    before, after = np.diff(here[-reach - 2 :], 2, axis=0), np.diff(here[: reach + 2], 2, axis=0)
    # The take's own acceleration at the very ends is that of the nearest whole step.
    own = np.concatenate([before, (before[-1:] + after[:1]) / 2, after])
    return float(np.linalg.norm(change - own, axis=-1).mean(axis=1).max())


def mended(name: str, seed: int) -> tuple[Motion, BodyMap]:
    """An uneven take after repair, as the pipeline hands it on; or the synthetic idle or arc, noisy."""
    if name == "idle":
        motion = noisy(synthetic.idle(rate=RATE, duration_s=15.0).motion, seed)
        body = find_body_map(motion.skeleton)
    elif name == "drift":  # no noise, but the posture changes: two cycles lie centimetres apart
        one = open_data.humanoid3d("walk")[0]
        motion = wobbled(open_data.repeated(one, 5), seed, RATE)[0]
        axes = np.random.default_rng(seed).normal(0, np.radians(8.0), (len(one.skeleton), 3))
        lean = np.linspace(-1, 1, len(motion))[:, None, None] * axes
        return motion.with_rotations(quat.mul(motion.rotations, quat.exp(lean))), find_body_map(one.skeleton)
    elif name == "arc":
        known = synthetic.walk(rate=RATE, steps=14, turn_deg=70.0)
        motion = noisy(known.motion.slice(*known.steady), seed)
        body = find_body_map(motion.skeleton)
    else:
        motion, body, _, _ = uneven(name, seed)
    return repair(motion, body)[0], body


def seams() -> None:
    """Closed loops beside a plain cut and a linear cross-fade of ten frames at the same frames."""
    print(
        "seams: pose gap (m); change of speed and of acceleration at the seam, as a share of the clip's\n"
        "95th percentile; acceleration that cut and cross-fade add to the take's own, as multiples of ours;\n"
        "mean distance from the take (cm); speed of planted feet (cm/s): 95th percentile closed, then\n"
        "median and 95th percentile pinned"
    )
    for name in (*wraps(), "arc", "idle", "drift"):
        take, body = mended(name, 0)
        best = find_loops(take, body, replace(SEARCH, kind="still") if name == "idle" else SEARCH)[0]
        loop = close_range(take, body, best.start, best.end)
        ours = measure_seam(loop, body)
        added, cut, fade = (
            added_acceleration(take, other, best.start, best.end)
            for other in (
                loop,
                plain_cut(take, best.start, best.end),
                cross_fade(take, best.start, best.end),
            )
        )
        away = np.linalg.norm(
            loop.model()[1] - take.slice(best.start, best.end + 1).model()[1], axis=-1
        ).mean()
        contacts = find_contacts(take, body).sliced(best.start, best.end + 1)
        before = sliding_cm_s(loop, body, contacts, loop=True)
        pinned, kept = pin_loop(loop, body, contacts)
        after = sliding_cm_s(pinned, body, kept, loop=True)
        slow = [np.percentile(x, q) if len(x) else 0.0 for x, q in ((before, 95), (after, 50), (after, 95))]
        print(
            f"  {name:22} {ours.pose_m:7.0e}  speed {ours.speed_jump / ours.usual_speed_jump:5.2f}"
            f"  acceleration {ours.acceleration_jump / ours.usual_acceleration_jump:5.2f}"
            f"  cut x{cut / added:6.1f}"
            f"  fade x{fade / added:6.1f}"
            f"  away {100 * away:5.2f}  feet {slow[0]:6.1f} {slow[1]:6.2f} {slow[2]:6.2f}"
            f"  gap {best.gap_cm:.1f} cm {best.quality}"
        )


def travel() -> None:
    """Recomposition, cycles alike, exact turns."""
    print("travel: recomposition (m); spread of ten cycles' ways (m); error of turns of 90 and 180 (degrees)")
    for name in (*wraps(), "arc"):
        take, body = mended(name, 1)
        best = find_loops(take, body, SEARCH)[0]
        loop = close_range(take, body, best.start, best.end)
        track = find_travel(loop, body, TravelSettings(smooth_hz=0.5), loop=True)
        still = apply_travel(loop, body, track, "in_place")
        again = with_travel(still, track)
        rooted = apply_travel(loop, body, track, "root")
        error = max(
            np.abs(again.model()[1] - loop.model()[1]).max(),
            np.abs(rooted.model()[1][:, 1:] - loop.model()[1]).max(),
        )
        ten = find_travel(repeated(loop, body, 10), body)
        every = slice(None, None, len(loop) - 1)
        ways = quat.rotate(quat.from_yaw(-ten.heading[every][:-1]), np.diff(ten.position[every], axis=0))
        turns = []
        for wanted in (90.0, 180.0):
            shaped, _ = shape_travel(take, find_travel(take, body), ShapeSettings(turn_deg=wanted))
            turns.append(abs(find_travel(shaped, body).turn_deg - wanted))
        print(f"  {name:22} {error:8.1e}  {np.ptp(ways, axis=0).max():8.1e}  {turns[0]:8.1e} {turns[1]:8.1e}")


def marks() -> None:
    """Foot marks of noisy takes against those of the clean one, and strikes against the clean peak."""
    print("marks: foot marks within 2 frames of the clean take's; strikes within 1 frame of the clean peak")
    for name in ("walk", "run", "walker/0walk_forward", "walker/turn_left1", "arc"):
        hits, total = 0, 0
        for seed in range(5):
            if name == "arc":
                clean = synthetic.walk(rate=RATE, steps=14, turn_deg=70.0).motion
            else:
                clean = wobbled(open_data.repeated(open_data.humanoid3d(name)[0], 5), seed, RATE)[0]
            body = find_body_map(clean.skeleton)
            truth = foot_marks(find_contacts(clean, body), loop=False)
            dirty = repair(noisy(clean, seed), body)[0]
            found = foot_marks(find_contacts(dirty, body), loop=False)
            hits += sum(any(m.name == t.name and abs(m.frame - t.frame) <= 2 for m in found) for t in truth)
            total += len(truth)
        print(f"  feet {name:22} {100 * hits / total:6.1f} % of {total}")
    for name in ("punch", "kick", "spinkick"):
        clean = open_data.humanoid3d(name)[0].resampled(RATE)
        body = find_body_map(clean.skeleton)
        truth = [m for m in strike_marks(clean, body) if m.name.endswith("strike")]
        near = []
        for seed in range(20):
            found = strike_marks(repair(noisy(clean, seed), body)[0], body)
            near += [any(m.name == t.name and abs(m.frame - t.frame) <= 1 for m in found) for t in truth]
        print(f"  strikes {name:19} {100 * np.mean(near):6.1f} % of {len(near)}")


def mirror() -> None:
    """Twice is the identity; a mirrored walk has its marks exchanged."""
    print("mirror: largest difference after two (m); marks exchanged")
    for name in ("walk", "cartwheel", "arc"):
        take, body = mended(name, 0)
        once = mirrored(take, body)
        error = np.abs(mirrored(once, body).model()[1] - take.model()[1]).max()
        here, there = (foot_marks(find_contacts(m, body), loop=False) for m in (take, once))
        print(f"  {name:22} {error:8.1e}  {there == mirrored_marks(here)}")


def speed() -> None:
    """The search over ten minutes, beside scipy.signal.sosfiltfilt on the same array in the same run."""
    print("speed: frames, joints; seconds of sosfiltfilt, of the search for steps and for an idle; ratios")
    sections = signal.butter(4, 6.0, fs=120.0, output="sos")
    for minutes in (2.5, 5, 10):
        known = synthetic.walk(rate=120.0, steps=40)
        cycle = known.motion.slice(known.steady[0], known.steady[0] + known.period + 1)
        body = find_body_map(cycle.skeleton)
        take = repeated(cycle, body, int(minutes * 60 * 120 / known.period))
        took = []
        for job in (
            lambda take=take: signal.sosfiltfilt(sections, take.rotations, axis=0),
            lambda take=take, body=body: find_loops(take, body, LoopSettings(kind="steps")),
            lambda take=take, body=body: find_loops(take, body, LoopSettings(kind="still")),
        ):
            best = np.inf
            for _ in range(3):
                begin = time.perf_counter()
                job()
                best = min(best, time.perf_counter() - begin)
            took.append(best)
        print(
            f"  {len(take):7} {len(take.skeleton):3}  {took[0]:6.3f} {took[1]:6.3f} {took[2]:6.3f}"
            f"   x{took[1] / took[0]:.2f} x{took[2] / took[0]:.2f}"
        )


def words() -> None:
    """What is said where there is nothing to find."""
    print("words")
    walk = open_data.humanoid3d("walk")[0].resampled(RATE)
    frozen = walk.sampled(np.zeros(200), RATE)
    turning = frozen.rotations.copy()
    turning[:, 0] = quat.mul(quat.from_yaw(np.linspace(0, 6, 200)), turning[:, 0])
    single = synthetic.idle(rate=RATE, duration_s=2.0).motion
    cases: dict[str, tuple[Motion, LoopSettings]] = {
        "shorter than the shortest loop": (walk.slice(0, 12), LoopSettings()),
        "no repeat": (open_data.humanoid3d("getup_facedown")[0], LoopSettings(kind="steps")),
        "stands still": (frozen, LoopSettings()),
        "only turns": (frozen.with_rotations(turning), LoopSettings()),
        "a short idle": (single, LoopSettings(kind="still")),
    }
    for label, (motion, settings) in cases.items():
        try:
            found: LoopCandidate | TakemillError = find_loops(
                motion, find_body_map(motion.skeleton), settings
            )[0]
        except TakemillError as problem:
            found = problem
        print(f"  {label}: {found}")


QUESTIONS: dict[str, Callable[[], None]] = {
    f.__name__: f for f in (periods, seams, travel, marks, mirror, speed, words)
}


def main(asked: list[str]) -> None:
    global SEEDS
    if "--seeds" in asked:
        place = asked.index("--seeds")
        SEEDS = int(asked[place + 1])
        del asked[place : place + 2]
    for name in asked or QUESTIONS:
        QUESTIONS[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
