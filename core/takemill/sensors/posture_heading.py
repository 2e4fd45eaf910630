"""What the posture of a joint tells about the headings of its two segments: arrays only.

A head looks ahead on average, a trunk is not twisted, a hand hangs on its forearm much the same all along. So
the mean heading of a joint over a second stays, but for what the take itself shows that it changes by from
one second to the next.
"""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..maths import filters, quat
from .hinge_heading import Rows

# Over which a posture is averaged. By trial on drifts between two poses (suit_table.py): 0.7 s and 2 s leave
# 2 to 4 % more than 1 s, about a stride.
_BLOCK_S = 1.0
_POSTURE_FLOOR_RAD = np.radians(0.3)  # that a posture is known to at best; an estimate
_MEAN_RAD = np.radians(30.0)  # that a joint's mean heading may have


def posture_rows(turned: Array, apart: Array, hats: Array, rate: float) -> Rows | None:
    """What the mean headings of a joint over stretches of a take tell: that they stay; None for too few.

    Args:
        turned: (S, 4) the joint, turned from rest and back by its segments' headings so far.
        apart: (S,) those headings, the lower one's less the upper one's.
        hats: (S, K) how much of each knot a sample has.
        rate: samples per second.
    """
    heading = np.unwrap(quat.yaw(quat.continuous(turned)))
    for _ in range(3):
        heading = filters.moving_mean(heading, round(0.3 * _BLOCK_S * rate))
    step = max(round(_BLOCK_S * rate), 1)
    picks = np.arange(step // 2, len(heading), step)
    if len(picks) < 4:
        return None
    values = heading[picks]
    trend = np.polyfit(picks, values, 2 if len(picks) > 4 else 1)
    left = values - np.polyval(trend, picks)
    power = float(np.mean(left**2))
    alike = float(np.clip(np.mean(left[1:] * left[:-1]) / max(power, 1e-12), 0.0, 0.9))
    between = float(np.median(np.diff(values) ** 2)) / 0.455 / 2  # of chi-squared with one freedom
    spread = max(power, between, _POSTURE_FLOOR_RAD**2) * (1 + alike) / (1 - alike)
    return Rows(
        hats[picks],
        np.ones((len(picks), 1)),
        values + apart[picks],
        np.full(len(picks), 1 / spread),
        np.full(1, 1 / _MEAN_RAD**2),
        float(np.sqrt(spread)),
    )
