"""A clip's face in the report: the weights of its shapes over time."""

from __future__ import annotations

import numpy as np

from ..base.plain import html_text
from ..pages import svg
from ..pipeline.finish_clip import FinishedClip

_SHOWN = 8  # shapes of a clip, those that move most: as many as stay readable (chosen by eye)


def face_curves(clip: FinishedClip) -> str:
    """A lane for each shape that moves; "" for a clip without a face."""
    if not clip.faces:
        return ""
    lanes = [
        (float(np.ptp(values)), face.mesh, name, values)
        for face in clip.faces
        for name, values in zip(face.names, face.values.T, strict=True)
        if np.ptp(values) > 0
    ]
    lanes.sort(key=lambda lane: (-lane[0], *lane[1:3]))
    if not lanes:
        return '<h4>Face</h4><p class="soft">It stays as it is.</p>'
    drawn = "".join(
        f'<span class="name" title="{html_text(mesh)}">{html_text(name)} '
        f"{values.min():.2f} to {values.max():.2f}</span>"
        + svg.draw_curves([("si", values - min(values.min(), 0.0))], max(float(np.ptp(values)), 1.0))
        for _, mesh, name, values in lanes[:_SHOWN]
    )
    more = f" The {len(lanes) - _SHOWN} that move less are in clips.json." if len(lanes) > _SHOWN else ""
    times = f"<span>0 s</span><span>{clip.motion.duration_s:.2f} s</span>"
    return (
        f'<h4>Face</h4><div class="plot timed"><span class="now"></span>{drawn}'
        f'<span></span><span class="axis">{times}</span></div>'
        f'<figcaption class="soft">Weights of the shapes that move, the bottom is 0.{more}</figcaption>'
    )
