"""What carries a body, one row a take: `python tests/benchmarks/ground_table.py [QUESTION ...]`.

Questions: floors rests feet path. Takes with known truth (tests/ground_takes.py, tests/resting_takes.py), with a
suit's noise of 0.25 degrees, 3 cm too high, and slid evenly over the floor by 10 cm/s; three seeds. Errors raw and
repaired; joint angles in units of what the sensors' own repair leaves (no pins, no path).
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import corrupt
import ground_takes
import open_data
import resting_takes
import synthetic
from clean_takes import at_rate, clean_take
from ground_takes import Ground
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.maths import quat, series
from takemill.repair.repair import RepairSettings, repair

SEEDS = (1, 2, 3)
RATE = 60.0
NOISE = corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0.03)
WHOLE = RepairSettings("suit")
SENSORS = RepairSettings("suit", heading=False, path=False, floor=False, pin=False)


def walks() -> Iterator[tuple[str, Motion, BodyMap]]:
    """Walks on a level floor at height 0: the tests' own, whose feet stand, and an open one, whose slide."""
    own = synthetic.walk(rate=RATE, steps=10).motion
    yield "synthetic", own, BodyMap.from_names(own.skeleton, synthetic.parts())
    open_walk = at_rate(open_data.repeated(open_data.humanoid3d("walk")[0], 5), RATE)
    body = find_body_map(open_walk.skeleton)
    down = np.array([0.0, 0.0, find_contacts(open_walk, body).floor_m])
    yield "open", open_walk.with_translation(0, open_walk.root_translation - down), body


def grounds() -> Iterator[tuple[str, Ground]]:
    """The walks laid on floors that are not one level floor; and on one, to compare."""
    for name, motion, body in walks():
        yield f"{name}, level", ground_takes.stairs(motion, body, 0.0)
        yield f"{name}, stairs up", ground_takes.stairs(motion, body)
        yield f"{name}, stairs down", ground_takes.stairs(motion, body, -0.16)
        yield f"{name}, box", ground_takes.box(motion, body)
        yield f"{name}, slope 7 deg up", ground_takes.slope(motion, body)
        yield f"{name}, slope 7 deg down", ground_takes.slope(motion, body, -7.0)


def damaged(motion: Motion, seed: int) -> Motion:
    """With a suit's noise, raised and slid."""
    return resting_takes.slid(corrupt.corrupt(motion, seed, NOISE).motion)


def slide_cm_s(motion: Motion, body: BodyMap, planted: np.ndarray) -> float:
    """How fast the stiller end of planted feet (F, K) goes over the floor, but for 0.05 s at the ends."""
    speed = np.linalg.norm(series.derivative(foot_points(motion, body)[..., :2], motion.rate), axis=-1)
    return 100 * float(speed.min(axis=-1)[series.eroded(planted, round(0.05 * motion.rate))].mean())


def joint_error(motion: Motion, true: Motion) -> float:
    """Of local rotations, RMS, degrees."""
    return float(np.degrees(np.sqrt(np.mean(quat.angle_between(motion.rotations, true.rotations) ** 2))))


def floors() -> None:
    """Heights of floors, and what repair makes of feet that stand on them."""
    print(
        "\nFloors: largest error of the heights found (mm; raw, repaired); of the heights that feet stand at, RMS,"
    )
    print("mm; slide of planted feet, cm/s (the truth's own); joint angles over the sensors' own error")
    print("take                          found mm       stand mm      slide cm/s (truth)    joints")
    for name, ground in grounds():
        true, body, rows = ground.motion, ground.body, []
        inner = series.eroded(ground.planted, 3)
        at = foot_points(true, body)[..., 2].min(axis=-1)[inner]
        for seed in SEEDS:
            raw = damaged(true, seed)
            ours, sensed = (repair(raw, body, one)[0] for one in (WHOLE, SENSORS))
            row = []
            for motion in (raw, ours):
                found = 1000 * np.abs(ground_takes.level_errors(ground, find_contacts(motion, body))).max()
                off = foot_points(motion, body)[..., 2].min(axis=-1)[inner] - at
                row += [
                    found,
                    1000 * np.sqrt(np.mean((off - np.median(off)) ** 2)),
                    slide_cm_s(motion, body, ground.planted),
                ]
            rows.append([*row, joint_error(ours, true) / joint_error(sensed, true)])
        a, b, c, d, e, f, joints = np.mean(rows, axis=0)
        own = slide_cm_s(true, body, ground.planted)
        print(
            f"{name:28} {a:5.1f} {d:5.1f}    {b:5.1f} {e:5.1f}    {c:6.2f} {f:5.2f} ({own:.2f})      {joints:6.2f}",
            flush=True,
        )


def rests() -> None:
    """What rests while no foot is down."""
    print(
        "\nRests: how far the take slides in the 4 s in which only this carries, and in all (cm; raw, repaired);"
    )
    print("height error while it carries, mm; joint angles over the sensors' own error")
    print("take       while resting cm    in all cm       height mm     joints")
    for kind in ("sit", "kneel", "hands", "insteps", "fours"):
        true, part = resting_takes.at_rest(kind, RATE)
        body, rests, rows = resting_takes.body_of(true), part > 0.999, []
        for seed in SEEDS:
            raw = damaged(true, seed)
            ours, sensed = (repair(raw, body, one)[0] for one in (WHOLE, SENSORS))
            row = []
            for motion in (raw, ours):
                away = motion.root_translation - true.root_translation
                row += [
                    100 * np.linalg.norm(np.ptp(away[rests, :2], axis=0)),
                    100 * np.linalg.norm(away[-1, :2] - away[0, :2]),
                    1000 * np.abs(away[rests, 2]).max(),
                ]
            rows.append([*row, joint_error(ours, true) / joint_error(sensed, true)])
        a, b, c, d, e, f, joints = np.mean(rows, axis=0)
        print(
            f"{kind:10} {a:6.1f} {d:6.1f}     {b:6.1f} {e:6.1f}    {c:6.1f} {f:6.1f}   {joints:6.2f}",
            flush=True,
        )


def feet() -> None:
    """Both feet down all along."""
    print(
        "\nBoth feet: fastest step of the stiller end of a foot, cm/s (raw, repaired), joint angles over the"
    )
    print(
        "sensors' own error (aim 1.15), the largest error of a leg's joint in the first and last 0.1 s, degrees"
    )
    print("(sensors, repaired), by how far legs are stretched at both ends of the take")
    print("take      stretch     slide cm/s    joints    ends deg")
    for straight in (0.98, 0.9976, 0.9994):
        for kind in ("bow", "squat", "tai-chi"):
            true = resting_takes.on_both_feet(kind, RATE, straight=straight)
            body, rows = resting_takes.body_of(true), []
            legs = [j for j, name in enumerate(true.skeleton.names) if "leg" in name or "foot" in name]
            for seed in SEEDS:
                raw = damaged(true, seed)
                ours, sensed = (repair(raw, body, one)[0] for one in (WHOLE, SENSORS))
                ends = [
                    np.degrees(quat.angle_between(one.rotations, true.rotations))[:, legs][
                        [*range(6), *range(-6, 0)]
                    ].max()
                    for one in (sensed, ours)
                ]
                steps = [
                    100
                    * RATE
                    * np.linalg.norm(np.diff(foot_points(one, body)[..., :2], axis=0), axis=-1)
                    .min(axis=-1)
                    .max()
                    for one in (raw, ours)
                ]
                rows.append([*steps, joint_error(ours, true) / joint_error(sensed, true), *ends])
            a, b, joints, c, d = np.mean(rows, axis=0)
            print(
                f"{kind:9} {straight:7.4f}    {a:6.1f} {b:5.2f}    {joints:6.2f}    {c:5.2f} {d:5.2f}",
                flush=True,
            )


def path() -> None:
    """Where planted feet put the path."""
    print(
        "\nPath: its error, cm RMS, raw and repaired (no pins), of damage without heading drift; the truth's own"
    )
    print("planted feet slide by so much (cm/s): a path that follows them cannot come nearer")
    print("motion            raw  repaired   own slide")
    damage = replace(corrupt.Damage(), heading_deg_per_min=0, spikes_per_min=0, frozen_per_min=0)
    names = ("walk", "run", "punch", "kick", "spinkick", "jump", "spin", "dance_a", "cartwheel", "roll", "crawl",
             "getup_facedown", "backflip")  # fmt: skip
    takes = {name: clean_take(name) for name in names} | {"synthetic turn": synthetic.turn_in_place().motion}
    for name, true in takes.items():
        body, rows = find_body_map(true.skeleton), []
        for seed in SEEDS:
            raw = corrupt.corrupt(true, seed, damage).motion
            ours = repair(raw, body, replace(WHOLE, pin=False))[0]
            away = [(one.root_translation - true.root_translation)[:, :2] for one in (raw, ours)]
            rows.append([100 * np.sqrt(((one - one.mean(axis=0)) ** 2).sum(axis=1).mean()) for one in away])
        a, b = np.mean(rows, axis=0)
        own = slide_cm_s(true, body, find_contacts(true, body).planted)
        print(f"{name:15} {a:6.2f}    {b:6.2f}      {own:6.1f}", flush=True)


if __name__ == "__main__":
    questions = {question.__name__: question for question in (floors, rests, feet, path)}
    for asked in sys.argv[1:] or questions:
        questions[asked]()
