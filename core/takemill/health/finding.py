"""What a health check finds."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..feet.contacts import Contacts
from ..sensors.misalignment import ReferencePose, between_spans

_MAX_LISTED_LEVELS = 4  # more are said by the lowest and the highest


@dataclass(frozen=True)
class Finding:
    """One fault.

    Attributes:
        kind: one of `table.KINDS`: "spike", "frozen", "jitter" ...
        joint: its name; "" for the whole body.
        start, stop: frames, half-open.
        amount: how bad, in `unit`.
        unit: "deg", "mm", "cm/s" ...
        repaired: whether a repair removed it.
        message: a sentence for a person.
    """

    kind: str
    joint: str
    start: int
    stop: int
    amount: float
    unit: str
    repaired: bool
    message: str


def pose_finding(pose: ReferencePose, frames: int, rate: float, repaired: bool) -> Finding:
    """What is said of a reference pose in a take of so many frames: its trim, and how far sensors sat off."""
    first, stop = between_spans([(pose.start, pose.stop)], frames)
    text = (
        f"a reference pose ({pose.kind}) is held for {(pose.stop - pose.start) / rate:.1f} s: frames {first} "
        f"to {stop - 1} are the take without it; sensors sit up to {pose.largest_deg:.1f} degrees off"
        f"{', which is corrected in the whole take' if repaired else ''}"
    )
    return Finding(
        "reference_pose", pose.joint, pose.start, pose.stop, pose.largest_deg, "deg", repaired, text
    )


def floor_findings(contacts: Contacts, frames: int) -> list[Finding]:
    """What is said of a floor at several heights, in a take of so many frames; nothing of a level one."""
    levels = np.round(1000 * contacts.levels_m()).astype(int)
    if len(levels) < 2:
        return []
    listed = ", ".join(map(str, levels))
    if len(levels) > _MAX_LISTED_LEVELS:
        listed = f"from {levels[0]} to {levels[-1]}"
    text = f"the feet stand at several heights: {listed} mm"
    return [Finding("uneven_floor", "", 0, frames, float(levels[-1] - levels[0]), "mm", False, text)]


def no_path_finding(frames: int, walked_m: float) -> Finding:
    """What is said of a take of so many frames whose feet walk while its hips stay in place."""
    text = (
        f"the feet walk about {walked_m:.1f} m while the hips stay in place: a treadmill, or a take without "
        'its path, which a repair can find from the feet (path_from = "feet", --path-from feet; in Blender, '
        "Path From)"
    )
    return Finding("no_path", "", 0, frames, walked_m, "m", False, text)
