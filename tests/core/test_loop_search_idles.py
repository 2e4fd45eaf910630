"""The loop search of idles beside its slow twin, which scores each pair of frames at the full rate."""

from __future__ import annotations

import numpy as np

from exhaustive_loops import best_idle_loop
from idle_takes import known_idle
from takemill.clip.loop_search import LoopSettings, find_loops


def test_the_search_of_idles_comes_near_to_all_pairs() -> None:
    """Measured on six idles: the first is 1.00 to 1.30 times the least score, the best listed 1.00 to 1.25.

    What is lost is the coarse grid's: with every coarse frame as a start it is 1.00 to 1.13. A seam that does
    not jerk is preferred, too.
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
    assert max(first) < 1.35
    assert max(listed) < 1.3
    assert np.median(first) < 1.25
    usual = np.median(scores[np.isfinite(scores)]) / scores[start, end]
    assert usual > 2.5  # of any pair
