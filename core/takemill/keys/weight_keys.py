"""Keys for weights of shapes: one list of times for all shapes of a mesh, as glTF has them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array
from ..clip.face import Face


@dataclass(frozen=True)
class WeightTrack:
    """The N keys of a mesh's weights; between them they run straight.

    Attributes:
        mesh: the node that shows the mesh.
        names: of the shapes (W).
        frames: (N,) increasing frame numbers; 0 is the clip's start.
        values: (N, W) weights.
    """

    mesh: str
    names: tuple[str, ...]
    frames: Array
    values: Array


def weight_track(face: Face, max_error: float) -> WeightTrack:
    """The keys that keep each weight within `max_error` of each frame; one for a face that stays as it is.

    The span that leaves the straight line furthest is parted there, again and again (Ramer 1972; Douglas and
    Peucker 1973, with distances along the axis of weights). The first and last frame are keys.
    """
    values, last = face.values, len(face) - 1
    if not last or (np.ptp(values, axis=0) <= max_error).all():
        still = values[:1] if np.array_equal(values[0], values[-1]) else (values[:1] + values[-1:]) / 2
        if np.abs(values - still).max() <= max_error:
            return WeightTrack(face.mesh, face.names, np.zeros(1), still)
    keys, todo = {0, last}, [(0, last)]
    while todo:
        start, stop = todo.pop()
        if stop - start < 2:
            continue
        part = (np.arange(start, stop + 1) - start)[:, None] / (stop - start)
        off = np.abs(values[start : stop + 1] - (values[start] + part * (values[stop] - values[start])))
        worst = start + int(off.max(axis=1).argmax())
        if off[worst - start].max() > max_error:
            keys.add(worst)
            todo += [(start, worst), (worst, stop)]
    frames = np.array(sorted(keys))
    return WeightTrack(face.mesh, face.names, frames.astype(np.float64), values[frames])


def weight_error(face: Face, track: WeightTrack) -> float:
    """The largest difference of a weight from the face's, on its frames."""
    frames = np.arange(len(face))
    played = np.stack([np.interp(frames, track.frames, one) for one in track.values.T], axis=1)
    return float(np.abs(played - face.values).max())
