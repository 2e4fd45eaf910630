"""What the lamplighter says and how he looks while he says it: keys of his face for the whole take."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from takemill.base.checks import Array

SHAPES = ("blink.L", "blink.R", "brows_up", "smile", "mouth_open")
_BLINK = ((0.0, 0.0), (0.07, 1.0), (0.11, 1.0), (0.22, 0.0))  # seconds and weights of one blink
_PAUSE_S = (1.6, 3.4)  # between two blinks
_SYLLABLE_S = (0.14, 0.24)
_BREATH_S = 0.35  # between two words
_FADE_S = 1.8  # in which brows and smile go after a line


@dataclass(frozen=True)
class Line:
    """A line that he speaks.

    Attributes:
        start_s: when it begins, seconds of the take.
        words: it, one mark for each syllable: "o" wide open, "e" half, "m" hardly.
        smile: how much he smiles at its end.
        brows: how far his brows go up at its start.
    """

    start_s: float
    words: str
    smile: float
    brows: float


# Spoken over the take: he calls the ferry, counts his steps, warns, strikes, and wishes a good night.
LINES = (
    Line(1.2, "eo me oem", 0.8, 0.9),
    Line(5.2, "oeo emo", 0.1, 0.7),
    Line(10.4, "me oe meo oe", 0.9, 0.2),
    Line(17.0, "em oe", 0.3, 0.5),
    Line(31.0, "o e o e o e o e", 0.2, 0.1),
    Line(37.0, "oe e o e o e oe", 0.7, 0.4),
    Line(47.2, "oo me", 0.1, 0.9),
    Line(55.7, "e m e m e m e", 0.0, 0.0),
    Line(61.0, "oem eme e m e", 0.2, 0.3),
    Line(70.8, "eo oe", 0.5, 0.6),
    Line(77.0, "oo em", 0.0, 1.0),
    Line(83.3, "oo e", 0.1, 0.4),
    Line(89.7, "oo me", 0.1, 0.5),
    Line(96.0, "me eo oem eme", 0.9, 0.3),
    Line(104.5, "oe emo em", 0.6, 0.6),
    Line(112.0, "em oe", 0.9, 0.2),
)
_WIDTH = {"o": (0.75, 1.0), "e": (0.35, 0.6), "m": (0.05, 0.15)}


def spoken(rng: np.random.Generator, seconds: float) -> dict[str, Array]:
    """By shape, its keys (N, 2): seconds and weights, in order, 0 at both ends."""
    tracks: dict[str, list[tuple[float, float]]] = {name: [(0.0, 0.0)] for name in SHAPES}
    blinks = np.cumsum(rng.uniform(*_PAUSE_S, round(seconds / _PAUSE_S[0])))
    for second in blinks[blinks < seconds - 1].tolist():
        for name in ("blink.L", "blink.R"):
            tracks[name] += [(second + later, weight) for later, weight in _BLINK]
    for line, next_s in zip(LINES, [*(one.start_s for one in LINES[1:]), seconds], strict=True):
        start_s, end_s = line.start_s, _speak(tracks["mouth_open"], line, rng)
        fade_s = min(_FADE_S, next_s - end_s - 0.3)
        tracks["brows_up"] += [(start_s - 0.1, 0), (start_s + 0.25, line.brows), (end_s, 0.2 * line.brows)]
        tracks["smile"] += [(start_s, 0), (end_s, line.smile), (end_s + 0.5 * fade_s, 0.8 * line.smile)]
        for name in ("brows_up", "smile"):
            tracks[name].append((end_s + fade_s, 0))
    return {name: np.array([*spots, (seconds, 0.0)]) for name, spots in tracks.items()}


def _speak(track: list[tuple[float, float]], line: Line, rng: np.random.Generator) -> float:
    """Add a line's keys to the mouth's; when it ends."""
    now_s = line.start_s
    for word in line.words.split():
        track.append((now_s, 0.0))
        for mark in word:
            length_s = rng.uniform(*_SYLLABLE_S)
            track.append((now_s + 0.4 * length_s, float(rng.uniform(*_WIDTH[mark]))))
            now_s += length_s
            track.append((now_s, 0.1))
        now_s += 0.08
        track.append((now_s, 0.0))
        now_s += _BREATH_S
    return now_s - _BREATH_S
