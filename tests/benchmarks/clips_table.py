"""What cutting, looping and travelling are worth, in one table per question.

`python tests/benchmarks/clips_table.py [--seeds N] [QUESTION ...]`, questions: cuts periods seams feet joins
warp root motion events mirror speed words. The motions are the wrapping DeepMimic references of the pybullet wheel,
repeated five times at 60 frames a second with seeded noise of 0.3 degrees and 2 % tempo wobble
(tests/wobble.py), the synthetic walk and idle, and the marsh ferry take.
"""

from __future__ import annotations

import json
import sys
import time
import tracemalloc
from collections.abc import Callable
from dataclasses import replace
from functools import cache
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from clips_seams import bend, cross_fade, plain_cut
from scipy import signal

import open_data
import synthetic
from sliding import sliding_cm_s
from takemill.base.checks import Array
from takemill.base.errors import TakemillError
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.clip.chain import blend_ends, join_stretches
from takemill.clip.events import foot_events, strike_events
from takemill.clip.measure import measure_seam, set_gaps
from takemill.clip.mirror import mirror_events, mirror_motion
from takemill.clip.root_motion import (
    RootMotionSettings,
    apply_root_motion,
    extend_steady,
    find_root_motion,
    steady_root_motion,
    with_root_motion,
    without_root_motion,
)
from takemill.clip.root_motion_shape import ShapeSettings, shape_root_motion
from takemill.cuts.cuts import suggest_cuts
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.files.bvh import read_bvh
from takemill.loops.loop_close import close_range, exact_end
from takemill.loops.loop_feet import pin_loop, repeat_loop
from takemill.loops.loop_search import LoopCandidate, LoopSettings, find_loops
from takemill.maths import quat
from takemill.repair.repair import repair
from wobble import noisy, wobbled

RATE = 60.0
SEARCH = LoopSettings(longest_s=6.0)
SEEDS = 200
SAMPLES = Path(__file__).parents[2] / "sample_blends"


def wraps() -> list[str]:
    return [name for name in open_data.HUMANOID3D if open_data.humanoid3d(name)[1]]


LOOPS = (*wraps(), "arc", "idle", "drift")


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


def repaired(name: str, seed: int) -> tuple[Motion, BodyMap]:
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


@cache
def closed(name: str) -> tuple[Motion, BodyMap, LoopCandidate, Motion]:
    """A repaired take, its body, its best loop, and that loop closed."""
    take, body = repaired(name, 0)
    best = find_loops(take, body, replace(SEARCH, kind="idle") if name == "idle" else SEARCH)[0]
    return take, body, best, close_range(take, body, best.start, best.end)


def seams() -> None:
    """Closed loops beside a plain cut and a linear cross-fade of ten frames at the same frames."""
    print(
        "seams of loops, repeated three times: pose gap (m); change of speed and of acceleration at the seam,\n"
        "as a share of the clip's own 95th percentile (at most 1); peak acceleration around the seam, mm per\n"
        "frame twice: the take's own, ours, cross-fade's; what is the closing's own of it (clips_seams.Bend),\n"
        "ours, then plain cut and cross-fade as multiples of it (5 or more)"
    )
    for name in LOOPS:
        take, body, best, loop = closed(name)
        seam = measure_seam(loop, body)
        three = repeat_loop(loop, body, 3)
        still = without_root_motion(
            three, extend_steady(steady_root_motion(find_root_motion(loop, body)), 0, 2 * len(loop) - 2)
        )
        gap = np.abs(np.diff(still.model()[1][:: len(loop) - 1], axis=0)).max()
        start, end = best.start, best.end
        ours = bend(take, loop, start, end)
        cut, fade = (bend(take, other(take, start, end), start, end) for other in (plain_cut, cross_fade))
        print(
            f"  {name:22} {gap:7.0e}  {seam.speed_jump / seam.usual_speed_jump:5.2f}"
            f" {seam.acceleration_jump / seam.usual_acceleration_jump:5.2f}"
            f"  peak {1e3 * ours.own:6.2f} {1e3 * ours.peak:6.2f} {1e3 * fade.peak:6.2f}"
            f"  own {1e3 * ours.excess:6.3f}  cut x{cut.excess / ours.excess:6.1f}"
            f"  fade x{fade.excess / ours.excess:6.1f}  gap {best.gap_cm:.1f} cm {best.quality}"
        )


def feet() -> None:
    """Planted feet of closed loops, before and after they are pinned."""
    print(
        "feet of loops: speed while planted (cm/s), over the seam too: 95th percentile closed; 95th and\n"
        "largest pinned (at most 0.3); frames pinned of those found planted (the others land, leave or\n"
        "slide); mean distance from the take closed and pinned (cm: under 2, idle 1); seam as above, pinned"
    )
    for name in LOOPS:
        take, body, best, loop = closed(name)
        contacts = find_contacts(take, body).sliced(best.start, best.end + 1)
        pinned, kept = pin_loop(loop, body, contacts)
        before, after = (
            sliding_cm_s(motion, body, planted, loop=True)
            for motion, planted in ((loop, contacts), (pinned, kept))
        )
        slow = [np.percentile(x, q) if len(x) else 0.0 for x, q in ((before, 95), (after, 95), (after, 100))]
        there = take.slice(best.start, best.end + 1).model()[1]
        away = [100 * np.linalg.norm(x.model()[1] - there, axis=-1).mean() for x in (loop, pinned)]
        seam = measure_seam(pinned, body)
        print(
            f"  {name:22} {slow[0]:6.1f}  {slow[1]:6.3f} {slow[2]:6.3f}"
            f"  {kept.planted.sum():5} of {contacts.planted.sum():5}  away {away[0]:5.2f} {away[1]:5.2f}"
            f"  seam {seam.pose_m:6.0e} {seam.speed_jump / seam.usual_speed_jump:5.2f}"
            f" {seam.acceleration_jump / seam.usual_acceleration_jump:5.2f}"
        )


@cache
def sample() -> tuple[Motion, BodyMap, list[dict[str, Any]]]:
    """The marsh ferry take, repaired, and the parts of its script."""
    take = read_bvh(SAMPLES / "marsh_take.bvh")[0]
    body = find_body_map(take.skeleton)
    truth = json.loads((SAMPLES / "marsh_truth.json").read_text(encoding="utf-8"))
    return repair(take, body)[0], body, truth["segments"]


def cuts() -> None:
    """Suggested cuts of the sample take, and its one-shots blended onto its neutral pose."""
    print(
        "cuts of the marsh ferry take: kind; start and end against its script (s); gap from the idle's pose"
    )
    print("(cm, cm/s) of the start and the end as cut, then blended onto it")
    motion, body, parts = sample()
    neutral = motion.slice(60, 66)
    found = [cut for cut in suggest_cuts(motion, body) if cut.kind != "idle"]
    for cut, part in zip(found, (part for part in parts if part["kind"] != "idle"), strict=True):
        off = cut.start / motion.rate - part["start_s"], cut.stop / motion.rate - part["end_s"]
        line = f"  {part['name']:22} {part['kind']:7} {cut.kind:7} {off[0]:6.2f} {off[1]:6.2f}"
        if not cut.loop:
            clip = motion.slice(cut.start, cut.stop)
            for one in (clip, blend_ends(clip, body, neutral)):
                gaps = set_gaps({"neutral": neutral, "clip": one}, body)
                line += f"   {gaps.cm[0, 1]:5.2f} {gaps.cm[1, 0]:5.2f} {gaps.cm_s[0, 1]:5.1f} {gaps.cm_s[1, 0]:5.1f}"
        print(line)


def joins() -> None:
    """Calm stretches joined to one idle: the joins beside the rest of it; and the best loop of the whole."""
    print(
        "joined idles: seconds; per join the largest acceleration (mm per frame twice) and speed (cm/s) as a\n"
        "share of the 95th percentile elsewhere, and planted feet (cm/s); best loop: seconds, drift (cm), gap,\n"
        "planted feet when it is closed and pinned (cm/s)"
    )
    motion, body, _ = sample()
    for label, ranges in (
        ("two of one rest", ((5720, 6200), (6400, 7100))),
        ("two rests", ((60, 900), (5720, 6600))),
        ("three", ((60, 600), (5720, 6200), (6400, 7100))),
    ):
        parts = [motion.slice(*one) for one in ranges]
        stages = [join_stretches(parts[: k + 1], body) for k in range(len(parts))]
        joined, joints = stages[-1], np.zeros(len(stages[-1]), bool)
        for before, after in pairwise(stages):
            count = min(len(before), len(after))
            moved = np.abs(after.rotations[:count] - before.rotations[:count]).max(axis=(1, 2)) > 1e-12
            first = int(np.argmax(moved))
            joints[first - 2 : first + round(0.5 * joined.rate) + 3] = True
        path, shares = joined.model()[1], []
        for order in (2, 1):
            change = np.linalg.norm(np.diff(path, order, axis=0), axis=-1).mean(axis=1)
            at_join = joints[order:]
            shares.append(change[at_join].max() / np.percentile(change[~at_join], 95))
        steps = np.linalg.norm(np.diff(foot_points(joined, body)[..., :2], axis=0), axis=-1)
        slip = 100 * joined.rate * steps[joints[1:]].min(axis=-1).max()
        best = find_loops(joined, body, LoopSettings(kind="idle"))[0]
        way = find_root_motion(joined.slice(best.start, best.end + 1), body)
        contacts = find_contacts(joined, body).sliced(best.start, best.end + 1)
        pinned, kept = pin_loop(close_range(joined, body, best.start, best.end), body, contacts)
        print(
            f"  {label:16} {joined.duration_s:5.1f}  {shares[0]:5.2f} {shares[1]:5.2f} {slip:5.2f}"
            f"  loop {(best.end - best.start) / joined.rate:5.1f} {100 * way.distance_m:5.2f} {best.gap_cm:5.2f}"
            f" {sliding_cm_s(pinned, body, kept, loop=True).max():5.2f}"
        )


def warp() -> None:
    """The cycle's length to a part of a frame against the known phase, before and after the warp."""
    print("warp: error of a cycle's length (frames; mean of 10 seeds) with whole frames, and told to a part")
    for name in wraps():
        errors = []
        for seed in range(10):
            motion, body, frames, period = uneven(name, seed)
            best = find_loops(motion, body, SEARCH)[0]
            exact = exact_end(motion, body, best.start, best.end)
            pace = np.gradient(frames)[best.end]
            phase = np.interp([best.end, exact], np.arange(len(frames)), frames) - frames[best.start]
            errors.append(np.abs(phase / period - max(round(phase[0] / period), 1)) * period / pace)
        whole, part = np.mean(errors, axis=0)
        print(f"  {name:22} {whole:5.2f} {part:5.2f}")


def root_motion() -> None:
    """Recomposition, cycles alike, exact turns."""
    print(
        "root motion: recomposition (m); spread of ten cycles' ways (m); error of turns of 90 and 180 (degrees)"
    )
    for name in (*wraps(), "arc"):
        take, body = repaired(name, 1)
        best = find_loops(take, body, SEARCH)[0]
        loop = close_range(take, body, best.start, best.end)
        track = find_root_motion(loop, body, RootMotionSettings(smooth_hz=0.5), loop=True)
        still = apply_root_motion(loop, body, track, "in_place")
        again = with_root_motion(still, track)
        rooted = apply_root_motion(loop, body, track, "root")
        error = max(
            np.abs(again.model()[1] - loop.model()[1]).max(),
            np.abs(rooted.model()[1][:, 1:] - loop.model()[1]).max(),
        )
        ten = find_root_motion(repeat_loop(loop, body, 10), body)
        every = slice(None, None, len(loop) - 1)
        ways = quat.rotate(quat.from_yaw(-ten.heading[every][:-1]), np.diff(ten.position[every], axis=0))
        turns = []
        for wanted in (90.0, 180.0):
            shaped, _ = shape_root_motion(take, find_root_motion(take, body), ShapeSettings(turn_deg=wanted))
            turns.append(abs(find_root_motion(shaped, body).turn_deg - wanted))
        print(f"  {name:22} {error:8.1e}  {np.ptp(ways, axis=0).max():8.1e}  {turns[0]:8.1e} {turns[1]:8.1e}")


def events() -> None:
    """Foot events of noisy takes against those of the clean one, and strikes against the clean peak."""
    print(
        "events: foot events within 2 frames of the clean take's: all, and those more than 3 frames from the\n"
        "take's ends (there a contact of less than the shortest one is seen); strikes within 1 frame of the\n"
        "clean peak, of hands and of feet"
    )
    for name in ("walk", "run", "walker/0walk_forward", "walker/turn_left1", "arc"):
        hits: list[tuple[bool, bool]] = []
        for seed in range(10):
            if name == "arc":
                clean = synthetic.walk(rate=RATE, steps=14, turn_deg=70.0).motion
            else:
                clean = wobbled(open_data.repeated(open_data.humanoid3d(name)[0], 5), seed, RATE)[0]
            body = find_body_map(clean.skeleton)
            found = foot_events(find_contacts(repair(noisy(clean, seed), body)[0], body), loop=False)
            for t in foot_events(find_contacts(clean, body), loop=False):
                hit = any(m.name == t.name and abs(m.frame - t.frame) <= 2 for m in found)
                hits.append((hit, 3 < t.frame < len(clean) - 4))
        hit, inner = np.array(hits).T
        print(
            f"  feet {name:22} {100 * hit.mean():6.1f} % of {len(hit)}"
            f"  {100 * hit[inner].mean():6.1f} % of {inner.sum()}"
        )
    for name in ("punch", "kick", "spinkick"):
        clean = open_data.humanoid3d(name)[0].resampled(RATE)
        body = find_body_map(clean.skeleton)
        near: dict[str, list[bool]] = {"Hand": [], "Foot": []}
        for seed in range(20):
            found = strike_events(repair(noisy(clean, seed), body)[0], body)
            for part, frame in true_strikes(clean, body):
                hit = any(m.name == f"{part}.strike" and abs(m.frame - frame) <= 1 for m in found)
                near[part[-4:]].append(hit)
        print(
            f"  strikes {name:19}"
            + "".join(f" {100 * np.mean(found):6.1f} % of {len(found)}" for found in near.values() if found)
        )


def true_strikes(clean: Motion, body: BodyMap) -> list[tuple[str, int]]:
    """Where SciPy finds the peaks of a clean take's hand and foot speeds against the hips, below 12 Hz."""
    places = clean.model()[1] / leg_length(clean.skeleton, body)
    sections = signal.butter(2, 12.0, fs=clean.rate, output="sos")
    found = []
    for part, least in (("leftHand", 3.5), ("rightHand", 3.5), ("leftFoot", 5.0), ("rightFoot", 5.0)):
        path = places[:, body.require(part)] - places[:, body.require("hips")]
        path = signal.sosfiltfilt(sections, path, axis=0)
        speed = np.linalg.norm(np.gradient(path, 1 / clean.rate, axis=0), axis=-1)
        peaks, _ = signal.find_peaks(speed, height=least, distance=15, prominence=0.1 * speed.max())
        found += [(part, int(frame)) for frame in peaks]
    return found


def mirror() -> None:
    """Twice is the identity; a mirrored walk has its events exchanged."""
    print("mirror: largest difference after two (m, and of a quaternion); events exchanged, and how many")
    for name in ("walk", "cartwheel", "arc"):
        take, body = repaired(name, 0)
        once = mirror_motion(take, body)
        twice = mirror_motion(once, body)
        error = np.abs(twice.model()[1] - take.model()[1]).max()
        turned = np.minimum(*(np.abs(twice.rotations + sign * take.rotations).max(-1) for sign in (1, -1)))
        here, there = (foot_events(find_contacts(m, body), loop=False) for m in (take, once))
        print(f"  {name:22} {error:8.1e} {turned.max():8.1e}  {there == mirror_events(here)} {len(here)}")


def speed() -> None:
    """The search over long takes, beside scipy.signal.sosfiltfilt on the same array in the same run."""
    print(
        "speed: frames, joints; seconds of sosfiltfilt, of the search for steps and for an idle; ratios (at\n"
        "most 3); microseconds per frame of both searches; most memory of both (MB), and of the array itself"
    )
    sections = signal.butter(4, 6.0, fs=120.0, output="sos")
    for minutes in (1.25, 2.5, 5, 10, 20):
        known = synthetic.walk(rate=120.0, steps=40)
        cycle = known.motion.slice(known.steady[0], known.steady[0] + known.period + 1)
        body = find_body_map(cycle.skeleton)
        take = repeat_loop(cycle, body, int(minutes * 60 * 120 / known.period))
        contacts = find_contacts(take, body)
        took, peaks = [], []
        for job in (
            lambda take=take: signal.sosfiltfilt(sections, take.rotations, axis=0),
            lambda take=take, body=body, contacts=contacts: find_loops(
                take, body, LoopSettings(kind="locomotion"), contacts
            ),
            lambda take=take, body=body: find_loops(take, body, LoopSettings(kind="idle")),
        ):
            best = np.inf
            for _ in range(5):
                begin = time.perf_counter()
                job()
                best = min(best, time.perf_counter() - begin)
            took.append(best)
            tracemalloc.start()
            job()
            peaks.append(tracemalloc.get_traced_memory()[1] / 1e6)
            tracemalloc.stop()
        print(
            f"  {len(take):7} {len(take.skeleton):3}  {took[0]:6.3f} {took[1]:6.3f} {took[2]:6.3f}"
            f"   x{took[1] / took[0]:.2f} x{took[2] / took[0]:.2f}"
            f"   {1e6 * took[1] / len(take):5.1f} {1e6 * took[2] / len(take):5.1f}"
            f"   {peaks[1]:6.1f} {peaks[2]:6.1f} {take.rotations.nbytes / 1e6:6.1f}"
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
        "no repeat": (open_data.humanoid3d("getup_facedown")[0], LoopSettings(kind="locomotion")),
        "stands still": (frozen, LoopSettings()),
        "only turns": (frozen.with_rotations(turning), LoopSettings()),
        "a short idle": (single, LoopSettings(kind="idle")),
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
    f.__name__: f
    for f in (cuts, periods, seams, feet, joins, warp, root_motion, events, mirror, speed, words)
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
