"""A session: its takes beside each other, in the order in which they were saved."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from .shots import Lacking, find_lacking
from .take_verdict import AGAIN, KEEP, LOOK, JudgedTake, Problem, badness
from .trends import Trend, find_trends

# A performer who keeps to a mark faces alike in the pose before each take, within so much; so many takes show
# that there is a mark. Estimates, no source.
_MAX_TURN_DEG, _MIN_ALIKE = 8.0, 3
_POSED_SHARE, _LATEST = 2 / 3, 6  # of the latest takes that had a pose: then one without it lacks it


@dataclass(frozen=True)
class UnreadTake:
    """A file that could not be read as a take, and why."""

    name: str
    why: str


SavedTake = JudgedTake | UnreadTake


@dataclass(frozen=True)
class TakeVerdict:
    """What is said of a take.

    Attributes:
        name: of the take.
        verdict: KEEP, LOOK or AGAIN.
        reasons: the worst first; of a take that is kept, what is worth a remark.
        seconds: it lasts; 0 where it could not be read.
    """

    name: str
    verdict: str
    reasons: tuple[str, ...]
    seconds: float = 0.0

    @property
    def reason(self) -> str:
        """The worst, in a sentence."""
        return self.reasons[0] if self.reasons else "nothing was found"


@dataclass(frozen=True)
class Session:
    """What is said of a session.

    Attributes:
        verdicts: of its takes, in the order in which they were saved.
        trends: sensors that grow worse.
        lacking: what the shot list still lacks.
        shots: how many the shot list has.
    """

    verdicts: tuple[TakeVerdict, ...] = ()
    trends: tuple[Trend, ...] = ()
    lacking: tuple[Lacking, ...] = ()
    shots: int = 0


def judge_session(takes: Sequence[SavedTake], shots: Mapping[str, str]) -> Session:
    """All takes of a session judged, each by itself and by those before it.

    Args:
        takes: in the order in which they were saved.
        shots: the shot list: name -> kind of action.
    """
    read = [one for one in takes if isinstance(one, JudgedTake)]
    most = _most_common(read)
    marks = _Marks()
    verdicts = []
    earlier: list[JudgedTake] = []
    for one in takes:
        if isinstance(one, UnreadTake):
            verdicts.append(TakeVerdict(one.name, AGAIN, (f"it cannot be read: {one.why}",)))
            continue
        problems = [*one.problems, *_beside(one, most, earlier), *marks.look(one)]
        problems.sort(key=badness)
        verdict = problems[0].verdict if problems else KEEP
        verdicts.append(TakeVerdict(one.name, verdict, tuple(each.text for each in problems), one.seconds))
        earlier.append(one)
    again = {one.name for one in verdicts if one.verdict == AGAIN}
    good = [one for one in read if one.name not in again]
    same = [one.sensors for one in read if most is not None and not _difference(most, one)]
    lacking = find_lacking(shots, good, sorted(again))
    return Session(tuple(verdicts), find_trends(same), lacking, len(shots))


def _most_common(takes: Sequence[JudgedTake]) -> JudgedTake | None:
    """The first take of the skeleton that most takes have."""
    groups: list[list[JudgedTake]] = []
    for take in takes:
        own = next((one for one in groups if not _difference(one[0], take)), None)
        if own is None:
            groups.append([take])
        else:
            own.append(take)
    return max(groups, key=len)[0] if groups else None


def _difference(one: JudgedTake, other: JudgedTake) -> str:
    """What tells the skeletons of two takes apart; "" where they are one."""
    return one.skeleton.difference(other.skeleton, one.placed & other.placed)


def _beside(take: JudgedTake, most: JudgedTake | None, earlier: Sequence[JudgedTake]) -> Iterator[Problem]:
    """What a take lacks that those before it have."""
    if most is not None and (difference := _difference(most, take)):
        yield Problem(LOOK, f"another skeleton than {most.name}: {difference}")
    latest = earlier[-_LATEST:]
    for end, where in enumerate(("start", "end")):
        habit = len(latest) >= _MIN_ALIKE and np.mean([one.posed[end] for one in latest]) >= _POSED_SHARE
        if not take.posed[end] and (habit or take.asked_pose):
            yield Problem(LOOK, f"no calibration pose at the {where}")


class _Marks:
    """The heading that performers keep to in the pose before their takes."""

    def __init__(self) -> None:
        self.since, self.heading_rad, self.count = "", np.nan, 0

    def look(self, take: JudgedTake) -> Iterator[Problem]:
        """What is wrong with a take's heading, which becomes the one to keep to."""
        if not np.isfinite(take.heading_rad):
            return
        turned_deg = abs(float(np.degrees(np.angle(np.exp(1j * (take.heading_rad - self.heading_rad))))))
        if turned_deg <= _MAX_TURN_DEG:
            self.count += 1
            return
        if self.count >= _MIN_ALIKE:
            yield Problem(LOOK, f"heading turned {turned_deg:.0f} degrees since {self.since}", turned_deg)
        self.since, self.heading_rad, self.count = take.name, take.heading_rad, 1
