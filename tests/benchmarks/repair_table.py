"""What repair is worth, in one table per question: `python tests/benchmarks/repair_table.py [QUESTION ...]`.

Questions: rotations peaks clean faults feet balance drift channels speed memory. The motions are the DeepMimic references of
the pybullet wheel, splined to 120 frames a second; the damage is that of tests/corrupt.py, three seeds, at
two strengths.
"""

from __future__ import annotations

import sys
import time
import tracemalloc
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from repair_channels import channels
from repair_feet import balance, drift, feet
from scipy import ndimage, signal
from scipy.interpolate import CubicSpline

import corrupt
from clean_takes import RATE, clean_take
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.maths import quat, series
from takemill.repair.repair import RepairSettings, repair

NAMES = ("walk", "run", "punch", "kick", "spinkick", "jump", "spin", "dance_a", "cartwheel")
STRIKES = ("punch", "kick", "spinkick", "run")
SEEDS = (1, 2, 3)
LIGHT = corrupt.Damage()
HEAVY = replace(LIGHT, spikes_per_min=40, frozen_per_min=20)
SENSORS = RepairSettings(heading=False, path=False, floor=False, pin=False)
CUTOFFS = (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 19, 22, 26, 30, 36, 44, 54)


def error_deg(rotations: np.ndarray, clean: Motion) -> float:
    """RMS over joints and frames of the local rotations, degrees."""
    return float(np.degrees(np.sqrt(np.mean(quat.angle_between(rotations, clean.rotations) ** 2))))


def best_butterworth(rotations: np.ndarray, clean: Motion) -> float:
    """The least error of sosfiltfilt over all cut-offs, with the truth in sight."""
    return min(
        error_deg(
            quat.normalize(
                signal.sosfiltfilt(signal.butter(4, hz, fs=RATE, output="sos"), rotations, axis=0)
            ),
            clean,
        )
        for hz in CUTOFFS
    )


def scipy_best(damaged: corrupt.Damaged, clean: Motion) -> float:
    """Median filter of 7, then the best Butterworth."""
    return best_butterworth(
        ndimage.median_filter(damaged.motion.rotations, size=(7, 1, 1), mode="nearest"), clean
    )


def near_limit(damaged: corrupt.Damaged, clean: Motion) -> float:
    """Faults known and splined over, then the best Butterworth."""
    rotations = damaged.motion.rotations.copy()
    bad = damaged.spikes | damaged.frozen
    frames = np.arange(len(rotations))
    for joint in range(rotations.shape[1]):
        good = ~bad[:, joint]
        if not good.all():
            rotations[:, joint] = CubicSpline(frames[good], rotations[good, joint], axis=0)(frames)
    return best_butterworth(quat.normalize(rotations), clean)


def cases(
    names: tuple[str, ...], damage: corrupt.Damage
) -> Iterator[tuple[str, Motion, BodyMap, list[corrupt.Damaged]]]:
    for name in names:
        clean = clean_take(name)
        yield (
            name,
            clean,
            find_body_map(clean.skeleton),
            [corrupt.corrupt(clean, seed, damage) for seed in SEEDS],
        )


def slow_floor(clean: Motion, seed: int, damage: corrupt.Damage) -> float:
    """The error if the noise below 0.3 Hz alone were left: nobody can tell it from motion."""
    alone = replace(damage, white_deg=0, spikes_per_min=0, frozen_per_min=0)
    return error_deg(corrupt.corrupt(clean, seed, alone).motion.rotations, clean)


def ideal(clean: Motion, damage: corrupt.Damage, seed: int) -> Motion:
    """What repair's kind of filter leaves of the noise when it knows the truth's power, with no fault at all.

    The Wiener filter of each of a joint's axes, in windows of a third of a second: the share of each
    frequency is the truth's power over that and the noise's. Of the windows' means it knows no more than the
    noisy take says.
    """
    rough = corrupt.corrupt(clean, seed, replace(damage, spikes_per_min=0, frozen_per_min=0)).motion.rotations
    half = 20
    window = np.sin(np.pi * (np.arange(2 * half) + 0.5) / (2 * half))[:, None, None]
    rows = 2 * half + half * (len(clean) // half)
    padded = [np.pad(q, ((half, rows), (0, 0), (0, 0)), mode="edge") for q in (rough, clean.rotations)]
    out = np.zeros_like(padded[0])
    noise = (np.radians(damage.white_deg) / 2) ** 2 * half  # of a window's sum of squares
    for start in range(0, len(clean) + half, half):
        part = slice(start, start + 2 * half)
        level = padded[0][part].mean(axis=0)
        noisy, true = (np.fft.rfft(window * (q[part] - level), axis=0) for q in padded)
        power = np.abs(true) ** 2
        calm = np.fft.irfft(noisy * power / (power + noise), 2 * half, axis=0)
        out[part] += window * (calm + window * level)
    return clean.with_rotations(quat.normalize(out[half : half + len(clean)]))


def rotations() -> None:
    """Rotation error, degrees RMS; heading drift is left out, since no filter knows it."""
    for label, damage in (("light", LIGHT), ("heavy", HEAVY)):
        print(f"\nRotation error, {label} damage (degrees RMS, mean of seeds)")
        print("slow: the noise below 0.3 Hz alone; ideal: no faults, the truth's spectrum known")
        print(
            "motion        raw   scipy    near    slow   ideal  sensors  all    "
            "ideal/scipy  sensors/scipy  sensors/near  all/near"
        )
        damage = replace(damage, heading_deg_per_min=0)
        for name, clean, body, takes in cases(NAMES, damage):
            rows = []
            for seed, taken in zip(SEEDS, takes, strict=True):
                ours = repair(taken.motion, body, SENSORS)[0].rotations
                whole = repair(taken.motion, body)[0].rotations
                rows.append(
                    [
                        error_deg(taken.motion.rotations, clean),
                        scipy_best(taken, clean),
                        near_limit(taken, clean),
                        slow_floor(clean, seed, damage),
                        error_deg(ideal(clean, damage, seed).rotations, clean),
                        error_deg(ours, clean),
                        error_deg(whole, clean),
                    ]
                )
            raw, best, near, slow, known, ours, whole = np.mean(rows, axis=0)
            print(f"{name:10} {raw:6.2f}  {best:6.3f}  {near:6.3f}  {slow:6.3f}  {known:6.3f}  {ours:6.3f}  {whole:6.3f}"
                  f"      {known / best:6.2f}         {ours / best:6.2f}        {ours / near:6.2f}    {whole / near:6.2f}")  # fmt: skip


def _ends(motion: Motion, body: BodyMap) -> dict[str, np.ndarray]:
    """Speeds (F,) of hands and feet."""
    positions = motion.model()[1]
    parts = [p for p in ("leftHand", "rightHand", "leftFoot", "rightFoot") if body.get(p) is not None]
    speed = np.linalg.norm(series.derivative(positions, motion.rate), axis=-1)
    return {part: speed[:, body.require(part)] for part in parts}


def peaks() -> None:
    """The peak speed of the fastest hand and foot, and its frame, against the truth."""
    print("\nPeak speed of the fastest hand and foot (heading and path drift left out)")
    print(
        "ideal: no faults, the truth's spectrum known; broad: frames in which the truth is within 3 % of its peak"
    )
    print("motion     part        true m/s  broad   ideal %  frame   sensors %  frame     all %  frame")
    damage = replace(LIGHT, heading_deg_per_min=0, path_drift=0)
    for name, clean, body, takes in cases(STRIKES, damage):
        true = _ends(clean, body)
        known = [ideal(clean, damage, seed) for seed in SEEDS]
        repaired = [
            [repair(taken.motion, body, settings)[0] for taken in takes]
            for settings in (SENSORS, RepairSettings())
        ]
        for kind in ("Hand", "Foot"):
            part = max((p for p in true if p.endswith(kind)), key=lambda p: true[p].max())
            peak = int(true[part].argmax())
            near = slice(max(peak - 12, 0), peak + 13)
            broad = int((true[part][near] > 0.97 * true[part][peak]).sum())
            columns = []
            for motions in (known, *repaired):
                offs = []
                for motion in motions:
                    speed = _ends(motion, body)[part]
                    at = near.start + int(speed[near].argmax())
                    offs.append([100 * (speed[at] / true[part][peak] - 1), at - peak])
                columns += [np.abs(offs).mean(axis=0)]
            figures = "".join(f"  {off:8.1f}  {frames:5.1f}" for off, frames in columns)
            print(f"{name:10} {part:10} {true[part][peak]:8.2f}  {broad:5}{figures}")


def clean() -> None:
    """Undamaged takes."""
    print("\nClean takes: change of joints (degrees RMS), flagged joint frames in 2,000")
    for name in NAMES:
        take = clean_take(name)
        repaired, findings = repair(take, find_body_map(take.skeleton))
        flagged = sum(f.stop - f.start for f in findings if f.kind in ("spike", "frozen"))
        print(
            f"{name:10} {error_deg(repaired.rotations, take):7.4f}  {2000 * flagged / take.rotations[..., 0].size:6.2f}"
        )


def faults() -> None:
    """Spikes and frozen frames found, and false alarms."""
    print("\nFaults found (% of joint frames), false alarms (% of joint frames)")
    print("motion      spikes   found   frozen   found   false spikes  false frozen")
    for name, take, _, _ in cases(NAMES, LIGHT):
        counts = np.zeros(7)
        body = find_body_map(take.skeleton)
        for seed in range(8):
            taken = corrupt.corrupt(take, seed, HEAVY)
            findings = repair(taken.motion, body, SENSORS)[1]
            masks = {kind: np.zeros_like(taken.spikes) for kind in ("spike", "frozen")}
            for f in findings:
                if f.kind in masks:
                    masks[f.kind][f.start : f.stop, take.skeleton.index(f.joint)] = True
            either, real = masks["spike"] | masks["frozen"], taken.spikes | taken.frozen
            counts += [
                taken.spikes.sum(), (taken.spikes & either).sum(), taken.frozen.sum(), (taken.frozen & either).sum(),
                (masks["spike"] & ~real).sum(), (masks["frozen"] & ~real).sum(), real.size,
            ]  # fmt: skip
        s, fs, z, fz, ws, wz, size = counts
        print(f"{name:10} {s:6.0f}  {100 * fs / s:6.2f}   {z:6.0f}  {100 * fz / z:6.2f}        {100 * ws / size:6.3f}"
              f"        {100 * wz / size:6.3f}")  # fmt: skip


def long_take(frames: int, joints: int = 60) -> Motion:
    """A damaged walk of so many frames on a skeleton of so many joints (the rest hangs off the hands)."""
    walk = clean_take("walk")
    base = walk.skeleton
    extra = joints - len(base)
    from takemill.body.skeleton import Skeleton

    skeleton = Skeleton(
        (*base.names, *(f"finger_{k}" for k in range(extra))),
        (*base.parents, *(len(base) - 1 for _ in range(extra))),
        np.concatenate([base.rest_translation, np.full((extra, 3), 0.03)]),
        np.concatenate([base.rest_rotation, np.tile(quat.IDENTITY, (extra, 1))]),
        base.tip_joints,
        base.tip_offsets,
    )
    cycle = len(walk) - 1
    pick = np.arange(frames) % cycle
    times = np.arange(frames) // cycle
    root = walk.root_translation[pick] + times[:, None] * (
        walk.root_translation[-1] - walk.root_translation[0]
    )
    rotations = np.concatenate([walk.rotations, walk.rotations[:, np.arange(extra) % len(base)]], axis=1)[
        pick
    ]
    return corrupt.corrupt(Motion(skeleton, RATE, rotations, root), 1).motion


def timed(verb: Callable[[], object]) -> np.ndarray:
    """Seconds by the clock, since repair uses all cores, and seconds of the processor."""
    start = np.array([time.perf_counter(), time.process_time()])
    verb()
    return np.array([time.perf_counter(), time.process_time()]) - start


def speed() -> None:
    """Repair of ten minutes, 60 joints, 120 frames a second, in units of sosfiltfilt on the same data.

    The two take turns, so that whatever else the machine does bears on both; the best of five counts.
    """
    take = long_take(72_000)
    body = find_body_map(take.skeleton)
    flat = take.rotations.reshape(len(take), -1)
    sections = signal.butter(4, 6, fs=RATE, output="sos")
    short = take.slice(0, 9_000)
    verbs = (
        lambda: signal.sosfiltfilt(sections, flat, axis=0),
        lambda: repair(take, body),
        lambda: repair(short, body),
    )
    unit, whole, part = np.min([[timed(verb) for verb in verbs] for _ in range(5)], axis=0)
    print("\nSpeed              clock s  processor s")
    for name, seconds in (("sosfiltfilt", unit), ("repair", whole)):
        print(f"{name:18} {seconds[0]:7.2f}  {seconds[1]:11.2f}")
    ratio, growth = whole / unit, whole / part / 8
    print(f"{'ratio (aim: 12)':18} {ratio[0]:7.1f}  {ratio[1]:11.1f}")
    print(f"Time per frame at 72,000 frames over that at 9,000: {growth[0]:.2f} (aim: 1.15)")


def memory() -> None:
    """Peak memory over the take's own arrays."""
    take = long_take(24_000)
    body = find_body_map(take.skeleton)
    own = take.rotations.nbytes + take.root_translation.nbytes
    tracemalloc.start()
    repair(take, body)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    print(f"\nMemory: peak {peak / own:.1f} times the take's arrays (aim: 6)")


if __name__ == "__main__":
    questions = {
        q.__name__: q
        for q in (rotations, peaks, clean, faults, feet, balance, drift, channels, speed, memory)
    }
    for asked in sys.argv[1:] or questions:
        questions[asked]()
