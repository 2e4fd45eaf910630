"""What a set's clips play of faces: the weights in the files against what the list says."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

import numpy as np

from ..files.glb_read import GlbScene

_MAX_ROUNDING = 1e-4  # of a weight: what four decimals and float32 may leave
_MAX_TIME_OFF_S = 2e-6  # float32 seconds, and seconds rounded to a microsecond


def face_problems(clip: Mapping[str, Any], scene: GlbScene) -> Iterator[str]:
    """Whether the weights of a clip are those that the list says, end with it, and meet where it loops."""
    listed, found = clip["faces"], {scene.names[one.node]: one for one in scene.weights[clip["name"]]}
    if set(listed) != set(found):
        yield f"its file moves shapes of {sorted(found)}, the list says {sorted(listed)}"
    count = sum(len(one.times) for one in found.values())
    if count != clip["keys"]["weights"]:
        yield f"its file holds {count} keys of weights, the list says {clip['keys']['weights']}"
    most = clip["keys"]["max_error_weight"] + _MAX_ROUNDING
    if not found and clip["keys"]["max_error_weight"]:
        yield "the list says how far its weights are off, and it has none"
    for name in sorted(set(listed) & set(found)):
        one = found[name]
        if one.times[-1] > clip["duration_s"] + _MAX_TIME_OFF_S:
            yield f"the face of {name!r} goes on after it"
        if clip["loop"] and np.abs(one.values[-1] - one.values[0]).max() > _MAX_ROUNDING:
            yield f"the face of {name!r} does not end as it begins"
        for shape, (low, high) in listed[name].items():
            if shape not in one.names:
                yield f"mesh {name!r} has no shape {shape!r}"
                continue
            played = one.values[:, one.names.index(shape)]
            if abs(played.min() - low) > most or abs(played.max() - high) > most:
                yield (
                    f"shape {shape!r} of {name!r} goes from {played.min():.4f} to {played.max():.4f}, "
                    f"the list says {low:g} to {high:g}"
                )
