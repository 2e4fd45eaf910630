"""Where a range of a motion repeats itself: pairs of frames that can be a loop's start and end.

Pairs are compared as windowed point clouds (clouds.py) on a coarse grid of frames, and only up to the
longest length (a band, never all pairs); the valleys of that map are then searched at the full rate.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.clouds import Cloud, cloud, main_joints, positions_at
from ..clip.measure import ends_at, gap_between
from ..clip.seam_quality import SUGGESTED, describe_limit, judge_seam
from ..feet.contacts import Contacts, find_contacts
from .loop_cycles import CYCLES, Steps
from .loop_refine import TIE_DECIMALS, Pair, refine

KINDS = ("auto", "locomotion", "idle")
BAD_SEAMS = ("refuse", "one_shot", "keep")
_MAX_LENGTH_S = {
    "locomotion": 4.0,
    "idle": 20.0,
}  # of a loop, where none is given (common practice, no source)
MIN_LENGTH_S = {"locomotion": 0.5, "idle": 2.0}
"""Of a loop, where none is given: a shorter idle visibly repeats (common practice, no source)."""
_MAX_SAME_POSE_M = 0.01  # poses that never lie further apart are one pose (chosen by eye)
_MAX_IDLE_SPEED_M_S = 0.12  # of joints, on average (common practice, no source)
_IDLE_GRID_STEP = 2  # an idle is compared at every second coarse frame only, since it is slow (chosen by eye)
_COARSE_PARTS = (
    "hips",
    "head",
    *(side + part for side in ("left", "right") for part in ("LowerArm", "Hand", "LowerLeg", "Foot")),
)
# All below chosen by eye.
_JERK_WEIGHT = 0.3  # by how much a seam of the usual jerk worsens an idle's score
_MAX_LENGTHS, _MAX_STARTS = 10, 60  # lengths that are looked at closely, and places for each


@dataclass(frozen=True)
class LoopSettings:
    """How a loop is searched for.

    Attributes:
        kind: "locomotion" wants the shortest whole cycle that repeats well, "idle" the calmest long range
            with the least drift, "auto" decides by the body's speed.
        cycles: of locomotion, how often both feet come down: 1, 2 or 4 times; 0 for as few as repeat well.
        shortest_s: shortest loop; None for locomotion 0.5 s, an idle 2 s.
        longest_s: longest loop; None for locomotion 4 s, for four cycles 8 s, an idle 20 s.
        window_s: half the window around each frame that is compared.
        coarse_hz: rate of the first, coarse map.
        count: how many candidates at most.
        bad_seam: of a clip whose best seam is bad: "refuse" it, make it a "one_shot", or "keep" it a loop.
    """

    kind: str = "auto"
    cycles: int = 0
    shortest_s: float | None = None
    longest_s: float | None = None
    window_s: float = 0.12
    coarse_hz: float = 15.0
    count: int = 8
    bad_seam: str = "refuse"


@dataclass(frozen=True)
class LoopCandidate:
    """A pair of frames that can be a loop's seam.

    Attributes:
        start: first frame of the loop.
        end: its last frame, inclusive: the pose at `end` repeats the one at `start`.
        gap_cm: mean distance of the joints at the seam, after the best turn and shift on the floor.
        gap_deg: mean angle between the joints' rotations.
        gap_cm_s: mean difference of the joints' velocities.
        quality: "good", "fair", "poor" or "bad".
        note: what else there is to say, in words: what limits a poor or a bad seam; mostly empty.
    """

    start: int
    end: int
    gap_cm: float
    gap_deg: float
    gap_cm_s: float
    quality: str
    note: str = ""


def find_loops(
    motion: Motion,
    body: BodyMap,
    settings: LoopSettings | None = None,
    contacts: Contacts | None = None,
    within: tuple[int, int] | None = None,
) -> tuple[LoopCandidate, ...]:
    """Candidates for a loop within a range of `motion`, the best first.

    Args:
        motion: the take.
        body: of its skeleton.
        settings: how it is searched for.
        contacts: of its frames; None to find them where they matter.
        within: its frames [start, stop) that are searched; None for all.

    Raises:
        InputError: the range is shorter than the shortest loop, or a setting makes no sense.
    """
    settings = settings or LoopSettings()
    _check_settings(settings)
    first, stop = within or (0, len(motion))
    take, motion = motion, _view(motion, first, stop)
    joints = main_joints(body)
    step = min(max(1, round(motion.rate / settings.coarse_hz)), len(motion))
    coarse = positions_at(motion, np.arange(0, len(motion), step), _coarse_joints(body, joints))
    kind = settings.kind if settings.kind != "auto" else _guess_kind(coarse, motion.rate / step)
    if kind == "idle" and len(coarse) > _IDLE_GRID_STEP * 16:  # an idle is slow, and its loops are long
        coarse, step = coarse[::_IDLE_GRID_STEP], step * _IDLE_GRID_STEP
    coarse_rate = motion.rate / step
    shortest, longest = _lengths_s(motion, kind, settings)
    low = max(1, int(shortest * coarse_rate))
    high = min(len(coarse) - 1, int(np.ceil(longest * coarse_rate)))
    if high < low:
        low = high
    reach = max(1, round(settings.window_s * coarse_rate))
    band = _measure_band(cloud(coarse, reach), high)
    effort = _sum_effort(coarse)
    if band[np.isfinite(band)].max() < _MAX_SAME_POSE_M:
        kind = "idle"
    calm = _Calm(effort, coarse[..., :2].mean(axis=1))
    steps = None
    if kind == "locomotion":
        steps = Steps.of(contacts or find_contacts(take, body), first, stop)
    limits = (
        max(1, int(np.ceil(shortest * motion.rate - 1e-6))),
        max(1, int(np.floor(longest * motion.rate + 1e-6))),
    )
    allowed = _Allowed(*limits, steps, settings.cycles)
    seeds, repeats = (
        _locomotion_seeds(band, low, allowed.on_grid(band.shape, step))
        if kind == "locomotion"
        else (_idle_seeds(band, low, calm), True)
    )
    window = max(1, round(settings.window_s * motion.rate))
    coarse_pairs = np.asarray(seeds, np.intp).reshape(-1, 2) * step
    pairs = refine(motion, joints, coarse_pairs, step, window, allowed, in_place=kind == "idle")
    order = _locomotion_order(pairs) if kind == "locomotion" else _idle_order(pairs, calm, step)
    note = _describe_range(band, coarse, repeats)
    chosen = _drop_near([pairs[k][2:] for k in order], step, settings.count)
    chosen = [(first + start, first + end) for start, end in chosen]
    return measure_loops(take, body, chosen, settings, note)


def _view(motion: Motion, first: int, stop: int) -> Motion:
    """Frames [first, stop) of a motion, nothing copied or looked at again.

    Raises:
        InputError: the range is empty or leaves the motion.
    """
    if not 0 <= first < stop <= len(motion):
        return motion.slice(first, stop)
    tracks = {joint: track[first:stop] for joint, track in motion.translations.items()}
    rotations, root = motion.rotations[first:stop], motion.root_translation[first:stop]
    return Motion.trusted(motion.skeleton, motion.rate, rotations, root, tracks)


def measure_loops(
    motion: Motion, body: BodyMap, pairs: Sequence[tuple[int, int]], settings: LoopSettings, note: str = ""
) -> tuple[LoopCandidate, ...]:
    """Pairs of frames (start, end) of a take as a loop's ends, with the frames around them, judged."""
    joints, window = main_joints(body), max(1, round(settings.window_s * motion.rate))
    ends = ends_at(motion, joints, [frame for pair in pairs for frame in pair], window)
    parts = {joint: part for part, joint in body.joints.items()}
    out = []
    for (start, end), a, b in zip(pairs, ends[::2], ends[1::2], strict=True):
        gap = gap_between(a, b)
        quality = judge_seam(gap)
        limit = "" if quality in SUGGESTED else describe_limit(gap, [parts[int(one)] for one in joints])
        said = "; ".join(text for text in (note, limit) if text)
        out.append(LoopCandidate(start, end, gap.cm, gap.deg, gap.cm_s, quality, said))
    return tuple(out)


@dataclass(frozen=True)
class _Allowed:
    """Which pairs of frames may be a loop's ends: of a length in frames and, of a gait, whole cycles."""

    shortest: int
    longest: int
    steps: Steps | None
    cycles: int

    def __call__(self, start: Index, end: Index) -> Mask:
        length = end - start
        fits = np.asarray((length >= self.shortest) & (length <= self.longest))
        return fits & self.steps.allow(start, end, self.cycles) if self.steps else fits

    def on_grid(self, shape: tuple[int, ...], step: int) -> Mask:
        """For coarse starts and lags (N, L), whether a pair near them may be one."""
        if not self.steps:
            return np.ones(shape, bool)
        first, lag = (step * np.arange(count) for count in shape)
        return self.steps.allow(first[:, None], first[:, None] + lag, self.cycles, slack=step)


def _check_settings(settings: LoopSettings) -> None:
    if settings.kind not in KINDS:
        raise InputError(f"loop kind {settings.kind!r}: expected one of {', '.join(KINDS)}")
    if settings.bad_seam not in BAD_SEAMS:
        raise InputError(f"loop bad_seam {settings.bad_seam!r}: expected one of {', '.join(BAD_SEAMS)}")
    if settings.cycles not in CYCLES:
        raise InputError(
            f"loop cycles {settings.cycles}: expected one of {', '.join(str(one) for one in CYCLES)}"
        )
    for name in ("window_s", "coarse_hz", "count"):
        expect_positive(getattr(settings, name), name)
    for name in ("shortest_s", "longest_s"):
        if (value := getattr(settings, name)) is not None:
            expect_positive(value, name)


def _lengths_s(motion: Motion, kind: str, settings: LoopSettings) -> tuple[float, float]:
    """The shortest and the longest loop of a kind within a motion."""
    shortest = MIN_LENGTH_S[kind] if settings.shortest_s is None else settings.shortest_s
    longest = settings.longest_s
    if longest is None:
        longest = max(_MAX_LENGTH_S[kind] * max(1, settings.cycles / 2), shortest)
    elif longest < shortest and settings.shortest_s is None:
        shortest = longest
    if longest < shortest:
        raise InputError(f"longest_s: expected at least shortest_s ({shortest:g}), got {longest:g}")
    if motion.duration_s < shortest - 1e-9:
        what = "idle" if kind == "idle" and settings.shortest_s is None else "loop"
        raise InputError(
            f"the range lasts {motion.duration_s:.2f} s, less than the shortest {what} "
            f"of {shortest:g} s; take a longer range or lower [loop] shortest_s"
        )
    return shortest, min(longest, motion.duration_s)


def _coarse_joints(body: BodyMap, joints: Index) -> Index:
    """Of the joints (P,) to be compared, those that differ most, for the coarse map: hips, head, limbs."""
    found = [joint for part in _COARSE_PARTS if (joint := body.get(part)) is not None]
    return np.array(sorted(found), np.intp) if len(found) > 4 else joints


def _guess_kind(positions: Array, rate: float) -> str:
    speed = np.linalg.norm(np.diff(positions, axis=0), axis=-1) * rate
    return "locomotion" if speed.size and np.median(speed.mean(axis=1)) > _MAX_IDLE_SPEED_M_S else "idle"


def _measure_band(clouds: Cloud, high: int) -> Array:
    """Distances (N, high + 1), metres, of each frame from those 0 to `high` later; inf beyond the end."""
    count = len(clouds.height)
    out = np.full((count, high + 1), np.inf)
    size = max(64, high // 2)
    lags = np.arange(high + 1)
    for first in range(0, count, size):
        rows = np.arange(first, min(first + size, count))
        last = min(int(rows[-1]) + high + 1, count)
        block = clouds.distances(slice(first, int(rows[-1]) + 1), slice(first, last))
        columns = rows[:, None] - first + lags
        fits = columns < block.shape[1]
        out[rows] = np.where(
            fits, np.take_along_axis(block, np.minimum(columns, block.shape[1] - 1), axis=1), np.inf
        )
    return out


def _locomotion_seeds(band: Array, low: int, allowed: Mask) -> tuple[list[tuple[int, int]], bool]:
    """Coarse pairs to look at closely, of several lengths, and whether any is a real return.

    A cycle leaves its pose and comes back: between start and end the pose must have been far off, so that
    two frames of one pause are no cycle. Of each length that repeats well, the pairs along its valley are
    taken: they hardly differ in distance, and which of them has the calmest seam only the full rate shows.
    """
    finite = np.where(np.isfinite(band), band, 0.0)
    farthest = np.maximum.accumulate(finite, axis=1)
    scale = float(np.median(farthest[:, -1][farthest[:, -1] > 0])) if (farthest > 0).any() else 0.0
    long_enough = allowed & (np.arange(band.shape[1]) >= low)
    returns = (band < 0.5 * farthest) & (farthest > 0.6 * scale) & long_enough
    repeats = bool(returns.any())
    cost = np.round(np.where(returns if repeats else long_enough, band, np.inf), TIE_DECIMALS)
    best = cost.min(axis=0)
    ahead, behind = np.append(best[1:], np.inf), np.insert(best[:-1], 0, np.inf)
    lags = np.flatnonzero(np.isfinite(best) & (best <= ahead) & (best <= behind))
    lags = np.sort(lags[np.argsort(best[lags], kind="stable")][:_MAX_LENGTHS])
    if not len(lags):
        return [], repeats
    borders = (lags[1:] + lags[:-1] + 1) // 2  # each start has its own lag near a valley's
    seeds = []
    for first, stop in zip([0, *borders], [*borders, band.shape[1]], strict=True):
        lag = first + cost[:, first:stop].argmin(axis=1)
        lowest = cost[np.arange(len(cost)), lag]
        starts = np.argsort(lowest, kind="stable")[:_MAX_STARTS]
        seeds += [(int(start), int(lag[start])) for start in starts if np.isfinite(lowest[start])]
    return [(start, start + lag) for start, lag in seeds], repeats


@dataclass(frozen=True)
class _Calm:
    """What decides how calm a range of the N coarse frames is.

    Attributes:
        effort: (N + 1,) summed up to each frame.
        place: (N, 2) of the body over the floor, metres.
    """

    effort: Array
    place: Array

    def drift(self, start: Index, end: Index) -> Array:
        """How far over the floor coarse frames lie from each other, metres."""
        last = len(self.place) - 1
        return np.asarray(np.linalg.norm(self.place[np.minimum(end, last)] - self.place[start], axis=-1))

    def score(self, cost: Array, start: Array | Index, end: Array | Index) -> Array:
        """Low for pairs that close well where they began (cost, metres), long after, and calm in between.

        Starts and ends count in coarse frames, and may lie between them.
        """
        length = np.maximum(end - start, 1).astype(np.float64)
        known = np.arange(len(self.effort))
        stir = np.interp(end + 1, known, self.effort) - np.interp(start, known, self.effort)
        worth = length**0.7 / (0.5 + 0.5 * np.sqrt(np.maximum(stir, 0) / length))
        return np.asarray((0.005 + cost) / worth)


def _sum_effort(positions: Array) -> Array:
    """(N + 1,) the sum of squared joint speeds up to each coarse frame, in units of the median."""
    speed = np.linalg.norm(np.diff(positions, axis=0, prepend=positions[:1]), axis=-1).mean(axis=1)
    return np.concatenate([[0.0], np.cumsum((speed / max(float(np.median(speed)), 1e-9)) ** 2)])


def _idle_seeds(band: Array, low: int, calm: _Calm) -> list[tuple[int, int]]:
    """Coarse pairs for an idle, one for each start at most."""
    count, lags = band.shape
    starts = np.arange(count)[:, None]
    ends = starts + np.arange(lags)
    score = calm.score(band + calm.drift(starts, ends), starts, ends)
    score[:, :low] = np.inf
    lag = score.argmin(axis=1)
    best = score[np.arange(count), lag]
    seeds = []
    for _ in range(_MAX_LENGTHS * 3):
        start = int(np.argmin(best))
        if not np.isfinite(best[start]):
            break
        seeds.append((start, start + int(lag[start])))
        best[max(0, start - 2) : start + 3] = np.inf
    return seeds


def _locomotion_order(pairs: list[Pair]) -> list[int]:
    """Good pairs first, those of the fewest cycles before the others."""
    if not pairs:
        return []
    cost, _, start, end = (np.array(column) for column in zip(*pairs, strict=True))
    good = cost <= 1.5 * cost.min() + 0.003
    cycles = np.round((end - start) / (end - start)[good].min())
    cost = np.round(cost, TIE_DECIMALS)
    return list(np.lexsort((start, cost, np.where(good, cycles, 0), ~good)))


def _idle_order(pairs: list[Pair], calm: _Calm, step: int) -> list[int]:
    """The best first. Where nothing moves, even a little jitter at a seam shows, and counts."""
    if not pairs:
        return []
    cost, jerk, start, end = (np.array(column) for column in zip(*pairs, strict=True))
    rough = 1 + _JERK_WEIGHT * jerk / max(float(np.median(jerk)), 1e-9)
    return list(np.argsort(calm.score(cost, start / step, end / step) * rough, kind="stable"))


def _drop_near(pairs: list[tuple[int, int]], step: int, count: int) -> list[tuple[int, int]]:
    """The first pairs, up to `count`, without those that nearly repeat an earlier one."""
    kept: list[tuple[int, int]] = []
    for start, end in pairs:
        if len(kept) == count:
            break
        if all(max(abs(start - s), abs(end - e)) > step for s, e in kept):
            kept.append((start, end))
    return kept


def _describe_range(band: Array, positions: Array, repeats: bool) -> str:
    farthest_m = float(band[np.isfinite(band)].max())
    if farthest_m < _MAX_SAME_POSE_M:
        floor = positions[..., 0] + 1j * positions[..., 1]
        centre = floor.mean(axis=1, keepdims=True)
        turns = np.angle((floor - centre) @ (floor - centre)[0].conj())
        moved = " but for its root motion" if np.ptp(np.abs(centre - centre[0])) > 0.1 else ""
        turned = " but for its turn" if np.ptp(np.unwrap(turns)) > np.radians(20) else ""
        return f"the pose hardly changes{moved or turned}: any two frames fit"
    return "" if repeats else "no pose comes back in this range; this is the nearest pair"
