"""What repair does to takes that have no fault: `python tests/benchmarks/harm_table.py [RATE ...] [NAME ...]`.

A row for each open motion that the tests know, at its own rate and at 24, 30, 60, 120 and 240 frames a second
(by cubic splines, since slerp puts a kink at every old frame; what is resampled downwards is not filtered, as
a shutter leaves it): how far joints turn, RMS and at most; how much longer the path of the hips gets; how far
the body rises at most; what is reported; and the joint frames that count as spiked or frozen, all of which
are false. Beside it what is found of spikes of tests/corrupt.py (1 to 3 frames, 8 to 35 degrees, 20 a minute in
each joint), thrown into the same take clean, and into the same take with a sensor's noise of 0.25 degrees.
The last rows sum up: the worst, and all spikes together.
"""

from __future__ import annotations

import sys
from collections import Counter
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import corrupt
from clean_takes import at_rate, open_motions
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.health.finding import Finding
from takemill.maths import quat
from takemill.repair.repair import repair

RATES = (0, 24, 30, 60, 120, 240)  # 0: its own
SPIKES = corrupt.Damage(0, 0, 0.3, 20, 0, 0, 0, 0)
NOISY = corrupt.Damage(0.25, 0, 0.3, 20, 0, 0, 0, 0)
SEEDS = (1, 2, 3)


def hips_path(motion: Motion, body: BodyMap) -> np.ndarray:
    """Where the hips are (F, 3)."""
    return joint_in_model(motion, body.require("hips"))[1]


def path_length(path: np.ndarray) -> float:
    """How far a path (F, 3) goes over the floor."""
    return float(np.linalg.norm(np.diff(path[:, :2], axis=0), axis=-1).sum())


def false_frames(findings: tuple[Finding, ...]) -> int:
    """Joint frames of spikes and freezes."""
    return sum(one.stop - one.start for one in findings if one.kind in ("spike", "frozen"))


def found_spikes(motion: Motion, body: BodyMap, damage: corrupt.Damage) -> np.ndarray:
    """Of the spikes of some seeds: joint frames, those of them found, and false ones."""
    counts = np.zeros(3, int)
    for seed in SEEDS:
        taken = corrupt.corrupt(motion, seed, damage)
        found = np.zeros_like(taken.spikes)
        for one in repair(taken.motion, body)[1]:
            if one.kind in ("spike", "frozen"):
                found[one.start : one.stop, motion.skeleton.index(one.joint)] = True
        counts += [taken.spikes.sum(), (taken.spikes & found).sum(), (found & ~taken.spikes).sum()]
    return counts


def main(arguments: list[str]) -> None:
    """Print the table, of some rates and motions or of all."""
    rates = [float(one) for one in arguments if one.replace(".", "").isdigit()] or RATES
    names = [one for one in arguments if not one.replace(".", "").isdigit()]
    motions = {name: one for name, one in open_motions().items() if not names or name in names}
    for rate in rates:
        print(f"\n{f'{rate:g} frames a second' if rate else 'Their own rate'}")
        print(
            "RMS and largest change, degrees; path longer by %; rise, mm; recall of spikes, % (false frames)"
        )
        print(
            "motion                  fps  frames     RMS  largest    path   rise  false"
            "     clean       noisy  findings"
        )
        worst, spikes = np.zeros(5), np.zeros((2, 3), int)
        for name, own in motions.items():
            motion = at_rate(own, rate)
            body = find_body_map(motion.skeleton)
            repaired, findings = repair(motion, body)
            turned = np.degrees(quat.angle_between(repaired.rotations, motion.rotations))
            before, after = (hips_path(one, body) for one in (motion, repaired))
            length = path_length(before)
            longer = 100 * (path_length(after) / length - 1) if length > 0.2 else 0.0
            rise = 1000 * (after - before)[:, 2]
            rise = rise[int(np.abs(rise).argmax())]
            row = np.array([np.sqrt(np.mean(turned**2)), turned.max(), longer, rise, false_frames(findings)])
            worst = np.maximum(worst, np.abs(row))
            each = np.array([found_spikes(motion, body, damage) for damage in (SPIKES, NOISY)])
            spikes += each
            kinds = Counter(one.kind for one in findings)
            said = ", ".join(f"{count} {kind}" for kind, count in sorted(kinds.items()))
            print(
                f"{name:22} {motion.rate:5.1f}  {len(motion):6}{_figures(row)}{_recall(each)}  {said}",
                flush=True,
            )
        print(f"{'worst; all spikes':22} {'':5}  {'':6}{_figures(worst)}{_recall(spikes)}", flush=True)


def _figures(row: np.ndarray) -> str:
    return f"  {row[0]:6.3f}  {row[1]:7.2f}  {row[2]:+6.2f}  {row[3]:+5.0f}  {row[4]:5.0f}"


def _recall(each: np.ndarray) -> str:
    return "".join(f"  {100 * found / max(count, 1):4.0f} ({wrong:3})" for count, found, wrong in each)


if __name__ == "__main__":
    main(sys.argv[1:])
