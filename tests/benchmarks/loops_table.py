"""What the loop search finds beside each pair of frames at the full rate, on open gaits and the sample.

`python tests/benchmarks/loops_table.py`. The wrapping DeepMimic references of the pybullet wheel and the curved
walks beside them, repeated five times at 60 frames a second with seeded noise of 0.3 degrees and 2 % tempo
wobble (tests/wobble.py), and the loops that the marsh ferry take suggests.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import open_data
import takemill
from exhaustive_loops import best_gait_loop, best_idle_loop
from idle_takes import known_idle
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.loops.loop_search import LoopSettings, find_loops
from wobble import noisy, wobbled

RATE = 60.0
SEEDS = 2
SAMPLE = Path(__file__).parents[2] / "sample_blends/marsh_take.bvh"


def gaits() -> Iterator[tuple[str, Motion]]:
    for name in open_data.HUMANOID3D:
        motion, wraps = open_data.humanoid3d(name)
        for seed in range(SEEDS if wraps else 0):
            uneven, _ = wobbled(open_data.repeated(motion, 5), seed, RATE)
            yield f"{name} {seed}", noisy(uneven, seed)
    take = takemill.repair_take(SAMPLE)
    for cut in takemill.suggest_cuts(take):
        if cut.loop and cut.kind == "locomotion":
            yield f"sample {cut.name}", take.motion.slice(cut.start, cut.stop)


def main() -> None:
    print(
        "loops of locomotion: frames, cost of the best of all pairs (cm), what the search finds as a multiple of\n"
        "it (at most 1.1), its length, its seam, and the seconds of the search and of its slow twin"
    )
    settings = LoopSettings(kind="locomotion")
    worst = 0.0
    for name, motion in gaits():
        body = find_body_map(motion.skeleton)
        contacts = find_contacts(motion, body)
        began = time.perf_counter()
        best = find_loops(motion, body, settings, contacts)[0]
        found = time.perf_counter()
        start, end, costs = best_gait_loop(motion, body, settings, contacts)
        done = time.perf_counter()
        ratio = costs[best.start, best.end] / costs[start, end]
        worst = max(worst, ratio)
        print(
            f"  {name:24} {len(motion):5d} {100 * costs[start, end]:6.2f} {ratio:6.3f}"
            f" {(best.end - best.start) / motion.rate:5.2f} s {best.quality:4} {found - began:5.2f} {done - found:5.2f}"
        )
    print(f"  the worst: {worst:.3f}")
    print(
        "loops of idles: score of the first and of the best that are listed, as multiples of the least of all pairs"
    )
    for seed in range(6):
        known = known_idle(seed, 12.0, 30.0)
        start, end, scores = best_idle_loop(known.motion, known.body)
        found = find_loops(known.motion, known.body, LoopSettings(kind="idle"))
        shares = [scores[one.start, one.end] / scores[start, end] for one in found]
        print(f"  {seed}  {shares[0]:5.2f} {min(shares):5.2f}")


if __name__ == "__main__":
    main()
