"""What overlays hand to `gpu`, for the tests that look at it."""

from __future__ import annotations

import bpy
import numpy as np

from takemill_addon import overlays
from takemill_addon.overlays import draw
from takemill_addon.overlays.view import View


def shown(name: str) -> draw.Drawing:
    """What an overlay shows now."""
    overlay = next(one for one in overlays.OVERLAYS if one.name == name)
    return draw.current(View.of(bpy.context), overlay).drawing


def in_world(drawing: draw.Drawing, stroke: int) -> np.ndarray:
    """The points (N, 3) of a stroke where they are drawn."""
    one = drawing.strokes[stroke]
    place = np.array(View.of(bpy.context).places(drawing.from_take)[one.space])
    return one.points @ place[:3, :3].T + place[:3, 3]
