"""The words for seams, and the sentence that says what limits one."""

from __future__ import annotations

from takemill.clip.measure import PoseGap
from takemill.clip.seam_quality import describe_limit, judge_seam


def test_the_quality_of_a_gap_is_that_of_the_guide() -> None:
    """The guide's table: below 1.5 cm good, below 4 fair, below 10 poor, and then bad."""
    gaps = ((1.49, "good"), (1.51, "fair"), (3.99, "fair"), (4.01, "poor"), (9.99, "poor"), (10.01, "bad"))
    for cm, word in gaps:
        assert judge_seam(PoseGap(cm, 0.0, 0.0)) == word
    assert judge_seam(PoseGap(1.0, 0.0, 9.0)) == "good"
    assert judge_seam(PoseGap(1.0, 0.0, 11.0)) == "fair"  # 5.5 mm in 1/20 s


def test_what_limits_a_seam_is_the_part_furthest_apart_or_the_speeds() -> None:
    parts = ("hips", "leftFoot", "head")
    assert describe_limit(PoseGap(4.0, 0.0, 10.0, (), (1.0, 9.2, 2.0)), parts) == "the left foot is 9 cm off"
    fast = PoseGap(4.0, 0.0, 195.0, (), (1.0, 9.2, 2.0))
    assert describe_limit(fast, parts) == "the speeds at its ends differ by 195 cm/s on average"
