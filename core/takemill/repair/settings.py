"""What of a take is repaired, how far, and where."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body.motion import Motion
from ..feet.contacts import ContactSettings
from ..feet.pin import PinSettings

# Over it a limited range goes over into the raw take: a quick turn of 500 degrees a second needs as long for
# 50 degrees, so that no seam is seen as a jump (an estimate, no source).
_RANGE_BLEND_S = 0.1

PathFrom = Literal["take", "feet", "auto"]
PATHS: tuple[PathFrom, ...] = ("take", "feet", "auto")


@dataclass(frozen=True)
class RepairSettings:
    """What is repaired, and how far.

    Attributes:
        profile: what recorded the take: "suit", "optical" or "cleaned"; "" finds out (`find_profile`). But
            for a suit's, a take keeps its path, heading and noise, its feet, and what single sensors do
            wrong for long, which is reported; its floor goes to height 0 where it lies steadily off by more
            than the height of soles can be known to.
        frozen, spikes, jitter: repair of the sensors, each step on or off.
        dropouts, late_sensors, slips, sensor_heading: repair of single sensors for long: held still, some
            frames late, slipped on their segment, turning slowly about the vertical; each on or off.
        heading, path, floor: the whole take's drift over the floor, each step on or off.
        path_from: where the path comes from: "take" leaves it as it came, also where a body walks in place;
            "feet" finds it so that the feet that carry the body stand, and its height where the take has
            none; "auto" does so where the feet walk while the hips stay in place.
        calibration: sensor misalignment, as a T or A pose at either end of the take shows it, corrected in
            the whole take, and with poses at both ends what slipped or turned between them; off, since a
            performer may have stood in the pose badly.
        same_pose_s: two [start, stop) stretches, seconds, in which the performer holds one and the same pose
            of their own: what slipped or turned between them is corrected. Empty for none.
        trim: a T or A pose at either end left out of the file that `takemill repair` writes, and no clip may
            reach into it; frames keep their numbers. Suggested cuts leave it out anyway.
        pin: planted feet pinned; in takes whose sensors show noise, or that are said to be a suit's; others
            were repaired or keyed.
        frozen_min_frames: equal frames that make a frozen sensor.
        longest_bridge_s: longer runs of bad frames are reported and left.
        longest_dropout_s: so do longer dropouts.
        spike_min_deg: a smaller excursion is jitter.
        spike_min_rate: frames a second; in slower takes spikes are reported and left.
        joints: names of the joints whose sensors are repaired and calibrated, and with all feet among them
            the feet are pinned; empty for all. Drift and floor are the whole body's.
        ranges_s: [start, stop] pairs, seconds, in which sensors are repaired and feet pinned; empty for the
            whole take. Drift and floor are the whole take's, which would jump at the ends of a part.
        leave_s: findings that are accepted, as (joint, start, stop), seconds: the joint's rotations stay as
            they came in that stretch, and its foot is not pinned there; "" for all joints. Drift and floor
            still move the whole body.
        amount: how much of the repair the take gets, of all joints and the path, 0 to 1: 0 leaves the take as
            it came.
        contacts: when a foot counts as planted.
        pinning: how planted feet are pinned.
    """

    profile: Literal["", "suit", "optical", "cleaned"] = ""
    frozen: bool = True
    spikes: bool = True
    jitter: bool = True
    dropouts: bool = True
    late_sensors: bool = True
    slips: bool = True
    sensor_heading: bool = True
    heading: bool = True
    path: bool = True
    floor: bool = True
    path_from: PathFrom = "take"
    calibration: bool = False
    trim: bool = False
    pin: bool = True
    frozen_min_frames: int = 3
    longest_bridge_s: float = 0.25
    longest_dropout_s: float = 1.0
    spike_min_deg: float = 5.0
    spike_min_rate: float = 60.0
    joints: tuple[str, ...] = ()
    ranges_s: tuple[tuple[float, float], ...] = ()
    same_pose_s: tuple[tuple[float, float], ...] = ()
    leave_s: tuple[tuple[str, float, float], ...] = ()
    amount: float = 1.0
    contacts: ContactSettings = field(default_factory=ContactSettings)
    pinning: PinSettings = field(default_factory=PinSettings)


ALL_REPAIRS = RepairSettings()
"""All that can be repaired without asking, in the whole take."""


def finds_path(settings: RepairSettings, walked_m: float) -> bool:
    """Whether the path of a take whose feet walk so far while its hips stay in place is found anew."""
    return settings.path_from == "feet" or (settings.path_from == "auto" and walked_m > 0)


def check_settings(motion: Motion, settings: RepairSettings) -> None:
    """Insist on settings that a take can be repaired with.

    Raises:
        InputError: a setting is out of range or names no joint.
    """
    expect_positive(settings.longest_bridge_s, "repair longest_bridge_s")
    expect_positive(settings.longest_dropout_s, "repair longest_dropout_s")
    expect_positive(settings.spike_min_deg, "repair spike_min_deg")
    expect_positive(settings.spike_min_rate, "repair spike_min_rate")
    if settings.frozen_min_frames < 3:
        raise InputError(f"repair frozen_min_frames: expected 3 or more, got {settings.frozen_min_frames}")
    if not 0 <= settings.amount <= 1:
        raise InputError(f"repair amount: expected 0 to 1, got {settings.amount}")
    for name in settings.joints:
        motion.skeleton.index(name)
    for name, start, stop in settings.leave_s:
        if name:
            motion.skeleton.index(name)
        if not 0 <= start < stop:
            raise InputError(f"repair leave_s: expected 0 <= start < stop, got {start} and {stop}")
    for name, ranges in (("ranges_s", settings.ranges_s), ("same_pose_s", settings.same_pose_s)):
        for start, stop in ranges:
            if not 0 <= start < stop:
                raise InputError(f"repair {name}: expected 0 <= start < stop, got {start} and {stop}")
    _check_same_pose(motion, settings)


def _check_same_pose(motion: Motion, settings: RepairSettings) -> None:
    spans = sorted(settings.same_pose_s)
    if not spans:
        return
    if len(spans) != 2:
        raise InputError(f"repair same_pose_s: expected two stretches, got {len(spans)}")
    (_, first), (second, last) = spans
    if second < first:
        raise InputError(f"repair same_pose_s: the stretches overlap, from {second} to {first} s")
    if last > len(motion) / motion.rate + 1e-6:
        raise InputError(
            f"repair same_pose_s: the take ends at {len(motion) / motion.rate:.2f} s, got {last}"
        )


def weigh_frames(motion: Motion, settings: RepairSettings, joints: Collection[str] = ()) -> Array | None:
    """How much (F,) of a repair each frame gets, 0 to 1; None for all of it everywhere.

    What is left of any of these `joints`, or of all, gets none.
    """
    left = [(start, stop) for name, start, stop in settings.leave_s if not name or name in joints]
    if not settings.ranges_s and not left:
        return None
    time = np.arange(len(motion)) / motion.rate
    weights = np.ones(len(motion))
    if settings.ranges_s:
        ways = [np.minimum(time - start, stop - time) for start, stop in settings.ranges_s]
        weights = np.max(ways, axis=0) / _RANGE_BLEND_S
    for start, stop in left:  # all of the stretch: it is gone into outside of it
        weights = np.minimum(weights, np.maximum(start - time, time - stop) / _RANGE_BLEND_S)
    return np.clip(weights, 0.0, 1.0)
