"""Sensors that grow worse from take to take, told by the rank test of Mann and Kendall.

Sources: Mann, Econometrica 13, 1945; Kendall, Rank Correlation Methods, 1975 (the variance with ties).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from .sensor_words import SENSORS
from .take_verdict import SensorFacts

_MIN_TAKES = 6  # fewer show no trend: even a perfect one of five stays below the limit
_MIN_SCORE = 2.5  # standard deviations: one of 160 without a trend; with the least growth, rare in a session
_LATEST = 20  # takes in which a trend of late shows that the whole session hides (an estimate)
# Field of the facts -> what it is called, its factor and unit for a person, and the least growth that is
# told, from the first third of takes to the last (estimates).
_MEASURES: Mapping[str, tuple[str, float, str, float]] = {
    "lost_share": ("frames lost", 100.0, "%", 1.0),
    "noise_deg": ("noise", 1.0, "°", 0.2),
    "misaligned_deg": ("misaligned", 1.0, "°", 4.0),
}


@dataclass(frozen=True)
class Trend:
    """A sensor that grows worse.

    Attributes:
        sensor, limb: what they are called.
        what: grows: "frames lost", "noise", "misaligned".
        unit: of the values.
        values: of each take of the session in which it is known, the last one now.
        growth: from the first third of the takes to the last, in the unit.
    """

    sensor: str
    limb: str
    what: str
    unit: str
    values: tuple[float, ...]
    growth: float

    def text(self) -> str:
        """The trend in words."""
        now = f"{self.values[-1]:.1f} {self.unit}"
        return f"{self.sensor}: {self.what}, {now}, {self.growth:.1f} more than before"


def find_trends(sessions: Sequence[Mapping[str, SensorFacts]]) -> tuple[Trend, ...]:
    """The sensors that grow worse over takes in their order, by limb, the worst of each first."""
    found = []
    for part, (sensor, limb) in SENSORS.items():
        for field, (what, factor, unit, least) in _MEASURES.items():
            known = np.array([factor * getattr(one[part], field) for one in sessions if part in one])
            known = known[np.isfinite(known)]
            grown = max(_growth(known), _growth(known[-_LATEST:]))
            if grown >= least:
                found.append(Trend(sensor, limb, what, unit, tuple(known.tolist()), grown))
    limbs = list(dict.fromkeys(limb for _, limb in SENSORS.values()))
    return tuple(sorted(found, key=lambda one: (limbs.index(one.limb), -one.growth)))


def _growth(values: Array) -> float:
    """By how much values (N,) grow from their first third to their last; 0 where that may be chance."""
    if len(values) < _MIN_TAKES or trend_score(values) < _MIN_SCORE:
        return 0.0
    third = len(values) // 3
    return float(np.median(values[-third:]) - np.median(values[:third]))


def trend_score(values: Array) -> float:
    """How many standard deviations the order of values (N,) is off one without a trend; growing: positive."""
    count = len(values)
    rises = np.sign(values[None, :] - values[:, None])
    score = float(np.triu(rises, 1).sum())
    ties = np.unique(values, return_counts=True)[1]
    spread = count * (count - 1) * (2 * count + 5) - float((ties * (ties - 1) * (2 * ties + 5)).sum())
    return (score - np.sign(score)) / np.sqrt(spread / 18) if spread > 0 else 0.0
