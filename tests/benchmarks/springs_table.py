"""What chains that swing cost, beside the fit of the same clips, and how that grows: a table for each question.

Run with `python tests/benchmarks/springs_table.py [cost growth rest]`. Each time is the least of three, in
seconds of the processor; ratios are to the fit of the same clips in the same run.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np

HERE = Path(__file__).resolve()
sys.path[:0] = [str(HERE.parents[1])]

from fit_bodies import Build, body, moved  # noqa: E402
from takemill.body.motion import Motion  # noqa: E402
from takemill.body.skeleton import Skeleton  # noqa: E402
from takemill.fit.fit import fit  # noqa: E402
from takemill.maths import quat  # noqa: E402
from takemill.springs.springs import Springs, chain_along  # noqa: E402
from takemill.springs.springs_presets import PRESETS, with_preset  # noqa: E402
from takemill.springs.swing import swing  # noqa: E402

CLIPS, FRAMES = 200, 91  # three seconds at 30 a second
FOX, FOX_PARTS = body(Build(tail=5, roll_seed=3))


def least(run: Callable[[], object], times: int = 3) -> float:
    """Processor seconds of a run, the least of some."""
    found = []
    for _ in range(times):
        start = time.process_time()
        run()
        found.append(time.process_time() - start)
    return min(found)


def tail_of(skeleton: Skeleton) -> Springs:
    """Its tail."""
    return Springs((with_preset(chain_along("tail", skeleton, FOX_PARTS.chain("tail")), "tail"),))


def clips_of(count: int, frames: int) -> list[Motion]:
    """Clips of the fox: half of them loops that swing to and fro."""
    return [moved(FOX, seed, frames=frames) for seed in range(count)]


def cost() -> None:
    """A tail of five bones in 200 clips, half of them loops, beside fitting these."""
    performer, parts = body(Build(roll_seed=1))
    takes = [moved(performer, seed, frames=FRAMES) for seed in range(CLIPS)]
    clips = clips_of(CLIPS, FRAMES)
    loops = [k % 2 == 0 for k in range(CLIPS)]
    fitting = least(lambda: [fit(one, parts, FOX, FOX_PARTS) for one in takes], 1)
    swinging = least(lambda: swing(clips, loops, tail_of(FOX)))
    print(
        f"{CLIPS} clips of {FRAMES} frames: fit {fitting:.2f} s, a tail {swinging:.2f} s: {swinging / fitting:.2f}"
    )


def growth() -> None:
    """Times as frames, clips and chains double."""
    for word, settings in (
        ("frames", [(50, frames) for frames in (91, 181, 361, 721)]),
        ("clips", [(clips, FRAMES) for clips in (50, 100, 200, 400)]),
    ):
        show_growth(word, [seconds_of(clips_of(*one), tail_of(FOX)) for one in settings])
    found = []
    for count in (1, 2, 4, 8):
        skeleton, runs = many_tails(count)
        chains = [with_preset(chain_along(f"tail {k}", skeleton, one), "tail") for k, one in enumerate(runs)]
        clips = [moved(skeleton, seed, frames=FRAMES) for seed in range(50)]
        found.append(seconds_of(clips, Springs(tuple(chains))))
    show_growth("chains", found)


def seconds_of(clips: list[Motion], springs: Springs) -> float:
    """What it takes to swing some one-shots."""
    return least(lambda: swing(clips, [False] * len(clips), springs))


def show_growth(word: str, found: list[float]) -> None:
    """A row: the times, and the ratio of each to the one before."""
    shown = ", ".join(f"{seconds:.2f} s" for seconds in found)
    print(f"{word} twice as many: {shown}; by {', '.join(f'{b / a:.2f}' for a, b in pairwise(found))}")


def many_tails(count: int) -> tuple[Skeleton, list[tuple[int, ...]]]:
    """The fox with so many tails of five bones."""
    skeleton, tail = FOX, list(FOX_PARTS.chain("tail"))
    names, parents = list(skeleton.names), list(skeleton.parents)
    places, turns = list(skeleton.rest_translation), list(skeleton.rest_rotation)
    tips, offsets = list(skeleton.tip_joints), list(skeleton.tip_offsets)
    found = [tuple(tail)]
    for k in range(1, count):
        above, run = parents[tail[0]], []
        for joint in tail:
            names.append(f"{skeleton.names[joint]} {k}")
            parents.append(above)
            places.append(skeleton.rest_translation[joint] * 1.1**k)
            turns.append(skeleton.rest_rotation[joint])
            above = len(names) - 1
            run.append(above)
        tips.append(above)
        offsets.append(skeleton.tip_offsets[list(skeleton.tip_joints).index(tail[-1])])
        found.append(tuple(run))
    more = replace(
        skeleton, names=tuple(names), parents=tuple(parents), rest_translation=np.array(places),
        rest_rotation=np.array(turns), tip_joints=tuple(tips), tip_offsets=np.array(offsets),
    )  # fmt: skip
    return more, found


def rest() -> None:
    """How long the end of the fox's tail takes to come to rest, by preset, after a turn of 30 degrees stops."""
    count = 240
    turn = np.radians(30) * np.clip(np.arange(count) / 12, 0, 1)
    turns = np.tile(FOX.rest_rotation, (count, 1, 1))
    turns[:, 0] = quat.mul(quat.from_yaw(turn), turns[:, 0])
    motion = Motion(FOX, 60.0, turns, np.tile(FOX.rest_translation[0], (count, 1)))
    for name in PRESETS:
        for bones in (1, 2, 5):
            tail = FOX_PARTS.chain("tail")[:bones]
            end = None if bones == 5 else FOX.rest_translation[FOX_PARTS.chain("tail")[bones]]
            chain = with_preset(chain_along("tail", FOX, tail, end), name)
            (swung,) = swing([motion], [False], Springs((chain,)))
            away = quat.angle_between(swung.rotations, swung.rotations[-1]).sum(axis=1)[12:]
            late = np.flatnonzero(away > 0.05 * away.max())
            print(
                f"{name}, {bones} bones: {np.degrees(away.max()):.0f} degrees away, a twentieth of that after {late[-1] / 60:.2f} s"
            )


def main(names: list[str]) -> None:
    """All questions, or those named."""
    questions = {"cost": cost, "growth": growth, "rest": rest}
    for name in names or questions:
        questions[name]()


if __name__ == "__main__":
    main(sys.argv[1:])
