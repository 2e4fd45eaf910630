"""One take judged by itself: keep, look, or shoot again, and why; and what a session compares of it."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..body.body_map import BodyMap, heading
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..cuts.cuts import suggest_cuts
from ..feet.contacts import find_contacts
from ..health.check import Health, check
from ..health.finding import Finding
from ..health.segment_findings import check_segments
from ..maths import quat
from ..recipe.recipe import Recipe
from ..repair.settings import RepairSettings
from ..sensors.denoise import noise_deviation
from ..sensors.misalignment import ReferencePose, end_pose, reference_poses
from ..sensors.pose_pairs import NO_POSES, EndPoses, find_end_poses, find_same_poses
from ..sensors.segments import Segments, find_segments, world_from_local
from .sensor_words import sensor_word

KEEP, LOOK, AGAIN = "keep", "look", "shoot again"
"""The verdicts: nothing is wrong; a repair corrects it, but somebody should know; no repair does."""

_MAX_REPAIRED_SLIP_DEG = 25.0  # as far as a reference pose knows a sensor: further ones are left as they are
_MIN_SPIKES, _MIN_SPIKES_PER_MIN = 5, 10.0  # of one sensor that are told: fewer are in any take (an estimate)
_MAX_SLIGHT_S = 0.25  # of frozen frames of one sensor: a suit has some in any take (an estimate)
# Of a sensor over the take, that somebody should look at: those of any suit turn a little (an estimate).
_MIN_TURN_DEG = 5.0
_MOST_NAMES = 3  # in a sentence
_LOST = ("frozen", "dropout", "spike")  # kinds of findings in whose frames a sensor says nothing


@dataclass(frozen=True)
class Problem:
    """One thing that is wrong with a take.

    Attributes:
        verdict: what it makes of the take; KEEP where it is worth a remark alone.
        text: what happened, in words.
        weight: how bad it is, seconds or degrees; the worst is told first.
    """

    verdict: str
    text: str
    weight: float = 0.0


@dataclass(frozen=True)
class SensorFacts:
    """How a sensor did in a take.

    Attributes:
        lost_share: of the frames, in which it said nothing or nonsense; 0 to 1.
        noise_deg: standard deviation about one axis.
        misaligned_deg: how far off it sits in the pose at the start; NaN where that tells nothing.
    """

    lost_share: float
    noise_deg: float
    misaligned_deg: float


@dataclass(frozen=True)
class JudgedTake:
    """A take that could be read.

    Attributes:
        name: of the take.
        seconds: it lasts.
        skeleton: of it.
        placed: its joints that the motion places, wherever they rest.
        problems: of the take by itself, the worst first.
        sensors: by body part.
        posed: whether a T or A pose is held at its start, and at its end.
        heading_rad: which way the performer faces in the pose at the start; NaN without.
        kinds: how many actions of each kind seem to be in it; empty where nobody asked.
        names: what its recipe calls clips of it.
        asked_pose: whether its recipe counts on a pose (`calibration`).
    """

    name: str
    seconds: float
    skeleton: Skeleton
    placed: frozenset[int]
    problems: tuple[Problem, ...]
    sensors: Mapping[str, SensorFacts]
    posed: tuple[bool, bool]
    heading_rad: float
    kinds: Mapping[str, int]
    names: tuple[str, ...] = ()
    asked_pose: bool = False


def judge_take_alone(
    name: str, motion: Motion, body: BodyMap, recipe: Recipe, with_kinds: bool = False
) -> JudgedTake:
    """A take judged, as its recipe has it repaired and checked; `with_kinds` looks for actions, too."""
    contacts = find_contacts(motion, body, recipe.contacts)
    health = check(motion, body, recipe.health, contacts, recipe.repair.profile)
    segments = find_segments(motion.skeleton, body)
    poses = reference_poses(motion, body)
    first, last = (end_pose(poses, len(motion), end) for end in (0, 1))
    pair = _pair(motion, body, segments, first, last)
    # Two poses tell slips and turns better than the motion between them does.
    told = [one for one in check_segments(motion, body, pair, True) if _is_told_by_poses(one)]
    findings = [*(one for one in health.findings if not _is_told_by_poses(one)), *told]
    cuts = suggest_cuts(motion, body, recipe.cuts, contacts) if with_kinds else ()
    return JudgedTake(
        name,
        motion.duration_s,
        motion.skeleton,
        frozenset({0, *motion.translations}),
        tuple(sorted(_problems(motion, body, findings, recipe.repair), key=badness)),
        _sensors(motion, segments, health, first),
        (first is not None, last is not None),
        float(np.median(heading(motion, body)[first.start : first.stop])) if first else np.nan,
        dict(Counter(cut.kind for cut in cuts)),
        (*(spec.name for spec in recipe.clips if spec.name), *recipe.cuts.shot_list),
        recipe.repair.calibration,
    )


def _is_told_by_poses(one: Finding) -> bool:
    is_turn = one.kind == "heading_drift" and one.joint != ""  # of one sensor, not of the whole body
    return is_turn or one.kind in ("sensor_slip", "unknown_heading")


def badness(problem: Problem) -> tuple[int, float]:
    """By what problems are sorted, the worst first."""
    return (AGAIN, LOOK, KEEP).index(problem.verdict), -problem.weight


def _pair(
    motion: Motion,
    body: BodyMap,
    segments: Segments,
    first: ReferencePose | None,
    last: ReferencePose | None,
) -> EndPoses:
    """The poses at both ends; where sensors that slipped spoil the last, the stretch that is most like it."""
    if first is None:
        return NO_POSES
    if last is not None and not (first.posed & last.sensed & ~last.posed).any():
        return find_end_poses(motion, body, segments)
    return find_same_poses(motion, body, segments)


def _sensors(
    motion: Motion, segments: Segments, health: Health, first: ReferencePose | None
) -> dict[str, SensorFacts]:
    world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
    out = {}
    for place, (joint, part) in enumerate(zip(segments.joints.tolist(), segments.parts, strict=True)):
        name = motion.skeleton.names[joint]
        lost = np.zeros(len(motion), bool)
        for one in health.findings:
            if one.kind in _LOST and one.joint == name:
                lost[one.start : one.stop] = True
        noise_deg = float(np.degrees(2 * noise_deviation(world[:, place])))
        askew_deg = np.nan
        if first is not None and first.posed[joint]:
            askew_deg = float(np.degrees(quat.angle(first.misalignments[joint])))
        out[part] = SensorFacts(float(lost.mean()), noise_deg, askew_deg)
    return out


def _problems(
    motion: Motion, body: BodyMap, findings: Sequence[Finding], repair: RepairSettings
) -> Iterator[Problem]:
    """What is wrong: the faults of each sensor, a kind in one sentence, and those of the whole take."""
    groups: dict[tuple[str, str], list[Finding]] = {}
    for one in findings:
        groups.setdefault((one.kind, one.joint), []).append(one)
    turns = {joint: found[0] for (kind, joint), found in groups.items() if kind == "heading_drift" and joint}
    if turns:
        yield _turned(turns, motion, body)
    for (kind, joint), found in groups.items():
        who = sensor_word(joint, motion.skeleton, body) if joint else ""
        if (problem := _problem(kind, who, found, motion, repair)) is not None:
            yield problem


def _turned(turns: Mapping[str, Finding], motion: Motion, body: BodyMap) -> Problem:
    """Sensors that turn about the vertical by themselves, by joint; in one sentence: most do at once."""
    size_deg = {joint: abs(one.amount) * motion.duration_s / 60 for joint, one in turns.items()}
    order = sorted(size_deg, key=lambda joint: -size_deg[joint])
    most = size_deg[order[0]]
    said = ", ".join(sensor_word(joint, motion.skeleton, body) for joint in order[:_MOST_NAMES])
    more = f" and {len(order) - _MOST_NAMES} more" if len(order) > _MOST_NAMES else ""
    text = f"{said}{more} turned about the vertical, by up to {most:.0f} degrees"
    return Problem(LOOK if most >= _MIN_TURN_DEG else KEEP, text, most)


def _problem(
    kind: str, who: str, found: Sequence[Finding], motion: Motion, repair: RepairSettings
) -> Problem | None:
    """What some findings of one kind at one sensor say; None for those that a take may have."""
    spans_s = [(one.stop - one.start) / motion.rate for one in found]
    worst = max(found, key=lambda one: abs(one.amount))
    if kind in ("frozen", "dropout"):
        longest_s = repair.longest_bridge_s if kind == "frozen" else repair.longest_dropout_s
        at_end = any(one.start == 0 or one.stop == len(motion) for one in found)
        repaired = max(spans_s) <= longest_s + 1e-6 and not (kind == "dropout" and at_end)
        word = "froze" if kind == "frozen" else "was lost"
        times = "once" if len(found) == 1 else f"{len(found)} times"
        text = f"{who} {word} {times}, {sum(spans_s):.1f} s in all"
        slight = kind == "frozen" and sum(spans_s) <= _MAX_SLIGHT_S
        return Problem((KEEP if slight else LOOK) if repaired else AGAIN, text, sum(spans_s))
    if kind == "dead_sensor":
        at = f"died at {clock(worst.start / motion.rate)}" if worst.start else "never moved"
        return Problem(AGAIN, f"{who or 'the whole body'} {at}", max(spans_s))
    if kind == "sensor_slip":
        text = (
            f"the {who}'s strap slipped at {clock(worst.start / motion.rate)}, by {worst.amount:.0f} degrees"
        )
        return Problem(AGAIN if worst.amount > _MAX_REPAIRED_SLIP_DEG else LOOK, text, worst.amount)
    if kind == "late_sensor":
        return Problem(LOOK, f"{who} comes {worst.amount:.0f} ms late", worst.amount / 1000)
    if kind == "spike":
        per_min = 60 * len(found) / max(motion.duration_s, 1.0)
        told = len(found) >= _MIN_SPIKES and per_min >= _MIN_SPIKES_PER_MIN
        return Problem(LOOK, f"{who} jumped {len(found)} times", sum(spans_s)) if told else None
    if kind == "too_short":
        return Problem(AGAIN, worst.message)
    if kind == "unknown_heading":
        text = f"how far sensors turned about the vertical is known to {worst.amount:.1f} degrees only"
        verdict = LOOK if worst.amount >= _MIN_TURN_DEG else KEEP
        return Problem(verdict, f"{text}: hold a T or A pose at both ends", worst.amount)
    if kind == "heading_drift" and not who:
        return Problem(LOOK, worst.message, worst.amount)
    if kind in ("swapped", "flipped", "bone_length", "intake", "no_feet"):
        return Problem(LOOK, worst.message)
    return None


def clock(seconds: float) -> str:
    """A moment of a take as a person reads it off a clock: 0:41."""
    return f"{int(seconds) // 60}:{int(seconds) % 60:02}"
