"""The breath of a calm body: how fast it goes, and where in it each frame is."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index
from ..body import body_map
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.clouds import positions_at
from ..maths import filters

# Breaths: 12 to 20 a minute at rest, up to 36 after work (textbook values, from memory); sighs are slower.
LOW_HZ, HIGH_HZ = 0.1, 0.6
_SAMPLE_RATE_HZ = 10.0  # of what the breath is found in: far above its own (common practice)
# What rises and goes ahead with the chest, seen from the hips; both sides at once, so that a sway to a side
# is no breath.
_PARTS = (("spine",), ("chest",), ("upperChest",), ("neck",), ("head",))
_PAIRS = (("leftShoulder", "rightShoulder"), ("leftUpperArm", "rightUpperArm"))
_WAYS = 18  # directions of the two main ones that are tried: 10 degrees apart
_MIN_SHARE = 0.2  # of the largest: what hardly moves is no breath, however well it repeats (chosen by eye)
# A breath comes back, much of a sway does not; and less than that is lost in the noise of a suit. Trial: of
# breaths of 0.6 degrees in as large a sway 9 of 10 come back by 0.7 or more.
_MIN_RETURN, _MIN_RISE_M = 0.6, 0.0004
# As good a return as the best: two breaths come back about as well as one (chosen by eye).
_NEARLY = 0.7
# Standard deviation of the window in which a wave is fitted, in breaths: they are never quite even.
_FIT_BREATHS = 0.45


@dataclass(frozen=True)
class Breath:
    """The breath of N frames.

    Attributes:
        rate_hz: breaths a second.
        phase: (N,) in breaths, unwrapped within each stretch; whole where the chest is highest.
    """

    rate_hz: float
    phase: Array


def find_breath(
    motion: Motion, body: BodyMap, stretch: Index, longest_s: float = 1 / LOW_HZ
) -> Breath | None:
    """The breath in calm stretches of a motion; None where there is none to be seen.

    Args:
        motion: N frames.
        body: of its skeleton.
        stretch: (N,) number of the stretch that a frame is of; frames of one follow each other.
        longest_s: of one breath.
    """
    chest = _chest_from_hips(motion, body)
    step = max(1, round(motion.rate / _SAMPLE_RATE_HZ))
    rate = motion.rate / step
    spans = [np.flatnonzero(stretch == k) for k in np.unique(stretch)]
    slow = [filters.moving_mean(chest[span], step)[::step] for span in spans]
    even = [_without_drift(one) for one in slow]
    every = np.concatenate(even)
    if not every.size or len(every) < 4:
        return None
    main = np.linalg.svd(every, full_matrices=False)[2][:2]
    angles = np.pi * np.arange(_WAYS) / _WAYS
    ways = np.cos(angles)[:, None] * main[0] + np.sin(angles)[:, None] * main[-1]
    rise = np.sqrt(np.mean((every @ ways.T) ** 2, axis=0))
    back, lag = _best_return([one @ ways.T for one in even], rate, longest_s)
    best = int(np.argmax(np.where(rise >= _MIN_SHARE * rise.max(), back, -1.0)))
    if back[best] < _MIN_RETURN or rise[best] < _MIN_RISE_M:
        return None
    way, rate_hz = ways[best], rate / float(lag[best])
    way = way if way[0::2].sum() >= 0 else -way
    phase = np.zeros(len(motion))
    for span, one in zip(spans, slow, strict=True):
        known = _fit_phase(one @ way, rate, rate_hz)
        phase[span] = np.interp(np.arange(len(span)) / step, np.arange(len(known)), known)
    return Breath(rate_hz, phase)


def _chest_from_hips(motion: Motion, body: BodyMap) -> Array:
    """How high and how far ahead of the hips parts of the chest are (N, 2 P), metres: up, ahead, up ..."""
    groups = [[body.get(part) for part in group] for group in (*_PARTS, *_PAIRS)]
    found = [[joint for joint in group if joint is not None] for group in groups]
    found = [group for group in found if group]
    joints = np.array([body.require("hips"), *(joint for group in found for joint in group)])
    at = positions_at(motion, np.arange(len(motion)), joints)
    away = at[:, 1:] - at[:, :1]
    facing = float(np.median(np.unwrap(body_map.heading(motion, body))))
    ahead = np.array([np.sin(facing), -np.cos(facing), 0.0])  # a heading of 0 faces -Y
    out, place = [], 0
    for group in found:
        mean = away[:, place : place + len(group)].mean(axis=1)
        out += [mean[:, 2], mean @ ahead]
        place += len(group)
    return np.stack(out, axis=-1)


def _without_drift(values: Array) -> Array:
    """Values (N, C) of one stretch without their mean and what drifts along with time."""
    time = np.linspace(-1, 1, len(values))
    line = np.stack([np.ones_like(time), time, time**2 - 1 / 3], axis=-1)[
        :, : max(1, min(3, len(values) - 1))
    ]
    return np.asarray(values - line @ np.linalg.lstsq(line, values, rcond=None)[0])


def _best_return(signals: list[Array], rate: float, longest_s: float) -> tuple[Array, Array]:
    """How well each of W signals, in stretches (N, W), comes back, -1 to 1, and after how many samples (W,).

    The first peak of their correlation with themselves that is nearly as high as any, of lags that a breath
    may last and that fit twice into a stretch.
    """
    first, last = int(rate / HIGH_HZ), int(np.ceil(rate * longest_s))
    last = min(last, max(len(one) for one in signals) // 2)
    width = signals[0].shape[1]
    if last <= first + 1:
        return np.zeros(width), np.ones(width)
    lags = np.arange(first - 1, last + 2)
    above, here, there = (np.zeros((len(lags), width)) for _ in range(3))
    for one in signals:
        for k, lag in enumerate(lags):
            if len(one) >= 2 * lag - 2:
                a, b = one[: len(one) - lag], one[lag:]
                above[k] += (a * b).sum(axis=0)
                here[k] += (a * a).sum(axis=0)
                there[k] += (b * b).sum(axis=0)
    size = np.sqrt(here * there)
    curve = np.divide(above, size, out=np.zeros_like(size), where=size > 0)
    peak = np.zeros_like(curve, bool)
    peak[1:-1] = (curve[1:-1] >= curve[:-2]) & (curve[1:-1] >= curve[2:])
    tops = np.where(peak, curve, -1.0)
    firsts = (tops >= _NEARLY * tops.max(axis=0)).argmax(axis=0)
    return tops.max(axis=0), lags[firsts].astype(float)


def _fit_phase(signal: Array, rate: float, rate_hz: float) -> Array:
    """The phase (N,), in breaths, of a signal (N,): that of a wave and a line fitted around each sample."""
    count = len(signal)
    reach = min(int(np.ceil(2.5 * _FIT_BREATHS * rate / rate_hz)), count - 1)
    offsets = np.arange(-reach, reach + 1)
    time = offsets / rate
    turn = 2 * np.pi * rate_hz * time
    basis = np.stack([np.cos(turn), np.sin(turn), np.ones_like(time), time * rate_hz], axis=-1)
    weight = np.exp(-0.5 * (time * rate_hz / _FIT_BREATHS) ** 2)
    places = np.arange(count)[:, None] + offsets
    inside = (places >= 0) & (places < count)
    weights = np.where(inside, weight, 0.0)
    values = signal[places.clip(0, count - 1)]
    normal = np.einsum("nw,wi,wj->nij", weights, basis, basis) + 1e-6 * np.eye(4)
    right = np.einsum("nw,wi->ni", weights * values, basis)
    wave = np.linalg.solve(normal, right[..., None])[..., 0]
    return np.asarray(np.unwrap(np.arctan2(-wave[:, 1], wave[:, 0])) / (2 * np.pi))
