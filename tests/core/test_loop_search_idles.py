"""The loop search of idles beside its slow twin, which scores each pair of frames at the full rate."""

from __future__ import annotations

import numpy as np

from exhaustive_loops import best_idle_loop
from idle_takes import known_idle
from takemill.loops.loop_search import LoopSettings, find_loops


def test_the_search_of_idles_comes_near_to_all_pairs() -> None:
    """The aim of issue 15. Of 18 idles the first is 1.00 to 1.06 times the least score.

    What is lost is the coarse grid's, and a seam that does not jerk is preferred, too. How far an idle ends
    from where it began counts at the full rate: taken from the coarse frames beside it gives 1.00 to 1.30.
    """
    first, listed = [], []
    for seed in range(6):
        known = known_idle(seed, 12.0, 30.0)
        start, end, scores = best_idle_loop(known.motion, known.body)
        found = find_loops(known.motion, known.body, LoopSettings(kind="idle"))
        shares = [scores[one.start, one.end] / scores[start, end] for one in found]
        assert min(shares) >= 1
        first.append(shares[0])
        listed.append(min(shares))
    assert max(first) <= 1.1
    assert max(listed) <= 1.1
    usual = np.median(scores[np.isfinite(scores)]) / scores[start, end]
    assert usual > 2.5  # of any pair
