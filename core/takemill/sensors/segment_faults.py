"""What single sensors of a suit do wrong for long, found and taken out of the segments' world orientations.

In this order: a dropout is bridged first, since its jumps look like slips; a late sensor is shifted before
its joints are looked at; a slip is taken out before the drift, which it would bend.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask
from ..maths import quat
from .dropouts import Dropout, bridge_dropouts, find_dropouts
from .lags import Lag, find_lags, remove_lags
from .pose_pairs import NO_POSES, EndPoses, find_between, find_pose_headings, find_pose_slips
from .segment_drift import SegmentDrift, find_segment_drift, remove_segment_drift, sample_frames
from .segments import Segments
from .slips import Slip, date_slip, find_slips, remove_slips

_SAMPLES_HZ, _MAX_SAMPLES = 10.0, 1500  # that a drift is sought in


@dataclass(frozen=True)
class SegmentRepair:
    """What is looked for, and taken out.

    Attributes:
        dropouts, lags, slips, drift: each on or off.
        longest_dropout_s: longer ones are left.
        longest_frozen_s: frozen frames of the uppermost segment up to this long are no dropout.
    """

    dropouts: bool = True
    lags: bool = True
    slips: bool = True
    drift: bool = True
    longest_dropout_s: float = 1.0
    longest_frozen_s: float = 0.25


ALL_OF_SEGMENTS = SegmentRepair()
"""All that can be taken out of segments."""


@dataclass(frozen=True)
class SegmentFaults:
    """What was found.

    Attributes:
        segments: whose places the faults name.
        dropouts: of single segments.
        bridged: which of those were bridged.
        lags: sensors that came late.
        slips: sensors that slipped.
        drift: the headings that segments gained; None where nothing tells of any.
    """

    segments: Segments
    dropouts: tuple[Dropout, ...] = ()
    bridged: tuple[bool, ...] = ()
    lags: tuple[Lag, ...] = ()
    slips: tuple[Slip, ...] = ()
    drift: SegmentDrift | None = None

    @property
    def changed(self) -> Mask:
        """Which segments (N,) are oriented anew."""
        out = np.zeros(len(self.segments), bool)
        out[[one.place for one, done in zip(self.dropouts, self.bridged, strict=True) if done]] = True
        out[[one.place for one in self.lags] + [one.place for one in self.slips]] = True
        if self.drift is not None:
            out |= (self.drift.heading != 0).any(axis=0)
        return out


def repair_segments(
    world: Array,
    segments: Segments,
    rest: Array,
    rate: float,
    wanted: SegmentRepair = ALL_OF_SEGMENTS,
    poses: EndPoses = NO_POSES,
    inside: Mask | None = None,
) -> tuple[Array, SegmentFaults]:
    """Orientations (F, N, 4) without the faults of single sensors, and what those were.

    Args:
        world: (F, N, 4) orientations of the segments, hemisphere-continuous.
        segments: whose they are.
        rest: (N, 4) their orientations in the upright reference pose.
        rate: frames per second.
        wanted: what is looked for.
        poses: reference poses at its ends.
        inside: (F,) frames in which dropouts are bridged; None for all.
    """
    found = SegmentFaults(segments)
    if len(segments) < 3 or len(world) < 3:
        return world, found
    if wanted.dropouts:
        dropouts = find_dropouts(world, segments, rate, wanted.longest_frozen_s)
        if inside is not None:
            dropouts = tuple(one for one in dropouts if inside[one.start : one.stop].all())
        if dropouts:
            world, done = bridge_dropouts(world, segments, dropouts, rate, wanted.longest_dropout_s)
            found = replace(found, dropouts=dropouts, bridged=tuple(done.tolist()))
    if wanted.lags and (lags := find_lags(world, segments, rate)):
        world, found = remove_lags(world, lags), replace(found, lags=lags)
    if wanted.slips:
        between = find_between(world, poses, rate)
        if between is None or not between.is_exact:
            slips = find_slips(world, segments, rate)
        else:  # two poses know it better
            slips = tuple(
                date_slip(world, segments, one.place, one.turn, rate, one.spread)
                for one in find_pose_slips(segments, between)
            )
        if slips:
            world, found = remove_slips(world, slips), replace(found, slips=slips)
    if wanted.drift:
        frames = sample_frames(len(world), rate, _SAMPLES_HZ, _MAX_SAMPLES)
        step_s = (frames[1] - frames[0]) / rate
        headings = find_pose_headings(world, poses, rate)
        some = quat.continuous(world[frames])
        drift = find_segment_drift(some, segments, rest, 1 / step_s, headings)
        if drift is not None:
            world, found = remove_segment_drift(world, drift, rate), replace(found, drift=drift)
    return world, found
