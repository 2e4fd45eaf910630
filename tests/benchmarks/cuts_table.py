"""What suggested cuts are worth on long takes whose actions are known (tests/labelled_takes.py).

`python tests/benchmarks/cuts_table.py [--seeds FIRST COUNT] [QUESTION ...]`, questions: clean noisy repaired harmless
speed. Seeds below 100 served to choose constants, those from 100 on are held back and are what is printed by default.
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from scipy import signal

from labelled_actions import ACTIONS, Label
from labelled_guards import RATE
from labelled_takes import LabelledTake, labelled_take, with_noise
from takemill.body.motion import Motion
from takemill.cuts.cuts import Cut, suggest_cuts
from takemill.feet.contacts import find_contacts
from takemill.repair.repair import repair

FIRST, COUNT = 100, 12
_MIN_IOU = 0.6  # of a cut and an action that is found
_MAX_BOUNDARY_S = 0.2


def share(cut: Cut, label: Label) -> float:
    """Intersection over union of a cut and an action."""
    inner = max(0, min(cut.stop, label.stop) - max(cut.start, label.start))
    return inner / (max(cut.stop, label.stop) - min(cut.start, label.start))


def pairs(cuts: tuple[Cut, ...], take: LabelledTake) -> list[tuple[Cut, Label]]:
    """Cuts and the actions that they find, each once, those that share most first."""
    near = sorted(
        ((share(cut, label), c, k) for c, cut in enumerate(cuts) for k, label in enumerate(take.labels)),
        reverse=True,
    )
    found: dict[int, int] = {}
    for shared, c, k in near:
        if shared >= _MIN_IOU and c not in found and k not in found.values():
            found[c] = k
    return [(cuts[c], take.labels[k]) for c, k in found.items()]


@dataclass
class Score:
    """Counts over takes: right and all of each figure, and what is missed, by source."""

    right: Counter[str] = field(default_factory=Counter)
    whole: Counter[str] = field(default_factory=Counter)
    false: int = 0
    minutes: float = 0.0
    missed: Counter[str] = field(default_factory=Counter)
    mistaken: Counter[str] = field(default_factory=Counter)

    def note(self, figure: str, is_right: bool) -> None:
        self.right[figure] += is_right
        self.whole[figure] += 1

    def add(self, take: LabelledTake, cuts: tuple[Cut, ...]) -> None:
        """Count the cuts of one take."""
        actions = tuple(cut for cut in cuts if cut.kind != "idle")
        met = pairs(actions, take)
        self.false += len(actions) - len(met)
        self.minutes += len(take.motion) / take.motion.rate / 60
        of = {id(label): cut for cut, label in met}
        for label in take.labels:
            cut = of.get(id(label))
            self.note("found", cut is not None)
            if cut is None:
                self.missed[label.source] += 1
            else:
                for ours, theirs in ((cut.start, label.start), (cut.stop, label.stop)):
                    self.note("boundaries", abs(ours - theirs) <= _MAX_BOUNDARY_S * take.motion.rate)
                self.note("kind", cut.kind in label.kinds)
                if cut.kind not in label.kinds:
                    self.mistaken[f"{label.source} as {cut.kind}"] += 1
            if label.kinds == ("strike",):
                struck: Counter[str] = Counter(getattr(cut, "limbs", ()))
                for limb, times in Counter(label.limbs).items():
                    for n in range(times):
                        self.note("strikes", struck[limb] > n)
                if cut and len(label.limbs) == 1:
                    self.note("limb", set(struck) == set(label.limbs))

    def lines(self) -> list[str]:
        """The figures as text."""
        out = [
            f"  {figure:11} {100 * self.right[figure] / max(self.whole[figure], 1):6.1f} % of {self.whole[figure]}"
            for figure in ("found", "boundaries", "kind", "limb", "strikes")
        ]
        out.append(
            f"  false       {self.false / max(self.minutes, 1e-9):6.2f} a minute, {self.minutes:.1f} minutes"
        )
        for word, counts in (("missed", self.missed), ("mistaken", self.mistaken)):
            out.append(f"  {word}: " + ", ".join(f"{name} {count}" for name, count in counts.most_common()))
        return out


def score(first: int, count: int, change: Callable[[LabelledTake, int], Motion]) -> Score:
    """The figures of takes of some seeds, each changed first."""
    found = Score()
    for seed in range(first, first + count):
        take = labelled_take(seed)
        found.add(take, suggest_cuts(change(take, seed), take.body))
    return found


def clean(first: int, count: int) -> None:
    """The takes as they are."""
    print("clean", *score(first, count, lambda take, _: take.motion).lines(), sep="\n")


def noisy(first: int, count: int) -> None:
    """With 0.3 degrees of noise on every joint."""
    print("noisy", *score(first, count, lambda take, seed: with_noise(take, seed).motion).lines(), sep="\n")


def repaired(first: int, count: int) -> None:
    """The noisy takes after repair, as the pipeline hands them on."""

    def mend(take: LabelledTake, seed: int) -> Motion:
        return repair(with_noise(take, seed).motion, take.body)[0]

    print("repaired", *score(first, count, mend).lines(), sep="\n")


def harmless(first: int, count: int) -> None:
    """Gestures, walks and dances, one to a take: how many takes hold a strike."""
    held: Counter[str] = Counter()
    words = ("gesture", *(word for word in ACTIONS if word.startswith(("walk", "dance"))))
    takes = 0
    for word in words:
        for seed in range(first, first + (count if word != "gesture" else 3 * count)):
            take = labelled_take(seed, 1, (word,))
            takes += 1
            if any(cut.kind == "strike" for cut in suggest_cuts(take.motion, take.body)):
                held[take.labels[0].source] += 1
    print(f"harmless: strikes in {100 * held.total() / takes:.1f} % of {takes} takes: {dict(held)}")


def speed(_first: int, _count: int) -> None:
    """72,000 frames at 120 a second, beside scipy.signal.sosfiltfilt on the same array in the same run."""
    take = labelled_take(0, 8).motion
    frames = np.arange(72_000) / 2
    long = take.sampled(np.abs((frames + len(take) - 1) % (2 * len(take) - 2) - len(take) + 1), 2 * RATE)
    body = labelled_take(0, 1).body
    contacts = find_contacts(long, body)
    sections = signal.butter(4, 6.0, fs=long.rate, output="sos")
    jobs = (
        lambda: signal.sosfiltfilt(sections, long.rotations, axis=0),
        lambda: suggest_cuts(long, body, contacts=contacts),
    )
    best = np.full((2, 2), np.inf)  # of each job: by the clock, and of the processor
    for _ in range(10):  # in turns, so that both have the same neighbours on the machine
        for row, job in zip(best, jobs, strict=True):
            begin = np.array([time.perf_counter(), time.process_time()])
            job()
            row[:] = np.minimum(row, [time.perf_counter(), time.process_time()] - begin)
    for word, (one, other) in zip(("clock", "processor"), best.T, strict=True):
        print(
            f"speed, {len(long)} frames, {word}: {one:.3f} s sosfiltfilt, {other:.3f} s, x{other / one:.2f}"
        )


QUESTIONS: dict[str, Callable[[int, int], None]] = {
    one.__name__: one for one in (clean, noisy, repaired, harmless, speed)
}


def main(asked: list[str]) -> None:
    first, count = FIRST, COUNT
    if "--seeds" in asked:
        place = asked.index("--seeds")
        first, count = (int(word) for word in asked[place + 1 : place + 3])
        del asked[place : place + 3]
    for name in asked or QUESTIONS:
        QUESTIONS[name](first, count)


if __name__ == "__main__":
    main(sys.argv[1:])
