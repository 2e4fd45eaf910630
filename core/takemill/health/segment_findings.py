"""What is said of faults of single sensors that last: dropouts, late, slipped and turning sensors."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

import numpy as np

from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..maths import quat
from ..sensors.pose_pairs import NO_POSES, EndPoses
from ..sensors.segment_faults import SegmentFaults, SegmentRepair, repair_segments
from ..sensors.segments import find_segments, world_from_local
from .finding import Finding

_MOST_NAMES = 5  # in a sentence
_MIN_DRIFT_DEG = 1.0  # of one segment over the take; less is not worth a sentence


def check_segments(
    motion: Motion, body: BodyMap, poses: EndPoses = NO_POSES, with_unknown: bool = False
) -> list[Finding]:
    """Findings about the sensors of a take that nothing was changed in yet, and what `poses` tell of them.

    `with_unknown` adds which sensors turned by nobody knows how much, as a repair says it.
    """
    segments = find_segments(motion.skeleton, body)
    world = quat.continuous(world_from_local(motion.skeleton, segments, motion.rotations))
    rest = motion.skeleton.reference_model[0][segments.joints]
    # However long the uppermost joint repeats itself, it is said to be frozen.
    wanted = SegmentRepair(longest_frozen_s=motion.duration_s + 1.0)
    _, faults = repair_segments(world, segments, rest, motion.rate, wanted, poses)
    unknown = unknown_finding(motion, faults) if with_unknown else None
    return segment_findings(motion, faults, False) + ([unknown] if unknown else [])


def segment_findings(
    motion: Motion, faults: SegmentFaults, repaired: bool, only: Collection[str] = (), why_left: str = ""
) -> list[Finding]:
    """Findings for the faults of single sensors.

    Args:
        motion: of the take.
        faults: that were found.
        repaired: whether they were taken out, but for dropouts that are too long.
        only: names of the joints that were repaired; empty for all.
        why_left: why none was, where none was.
    """
    frames, rate = len(motion), motion.rate
    names = [motion.skeleton.names[joint] for joint in faults.segments.joints.tolist()]
    done = [repaired and (not only or name in only) for name in names]
    out = []
    for gap, bridged in zip(faults.dropouts, faults.bridged, strict=True):
        seconds = (gap.stop - gap.start) / rate
        text = f"{names[gap.place]} is held still in the room for {seconds:.2f} s: its sensor dropped out"
        if repaired and not bridged:
            text += "; longer than what is bridged, left as it is"
        fixed = done[gap.place] and bridged
        out.append(Finding("dropout", names[gap.place], gap.start, gap.stop, seconds, "s", fixed, text))
    for lag in faults.lags:
        late = 1000 * lag.frames / rate
        text = f"{names[lag.place]} comes {lag.frames} frames ({late:.0f} ms) after the rest of the body"
        out.append(Finding("late_sensor", names[lag.place], 0, frames, late, "ms", done[lag.place], text))
    for slip in faults.slips:
        turn = float(np.degrees(quat.angle(slip.turn)))
        text = f"{names[slip.place]}: its sensor slips by {turn:.0f} degrees at {slip.frame / rate:.2f} s"
        out.append(
            Finding("sensor_slip", names[slip.place], slip.frame, frames, turn, "deg", done[slip.place], text)
        )
    out += _drift_findings(motion, faults, names, done)
    return [replace(one, message=f"{one.message}; {why_left}") for one in out] if why_left else out


def _drift_findings(
    motion: Motion, faults: SegmentFaults, names: list[str], done: list[bool]
) -> list[Finding]:
    if faults.drift is None or len(motion) < 2:
        return []
    out, frames = [], len(motion)
    gained = np.degrees(faults.drift.heading - faults.drift.heading[:1])
    for place, name in enumerate(names):
        most = float(gained[np.argmax(np.abs(gained[:, place])), place])
        if abs(most) < _MIN_DRIFT_DEG:
            continue
        rate = most / motion.duration_s * 60
        text = f"{name} turns by itself about the vertical, by {most:.1f} degrees ({rate:.0f} a minute)"
        out.append(Finding("heading_drift", name, 0, frames, rate, "deg/min", done[place], text))
    return out


def unknown_finding(motion: Motion, faults: SegmentFaults, only: Collection[str] = ()) -> Finding | None:
    """Which sensors turned by nobody knows how much, in a take in which others are known to have.

    Args:
        motion: of the take.
        faults: that were found.
        only: names of the joints that are repaired; empty for all.
    """
    if faults.drift is None:
        return None
    names = [motion.skeleton.names[joint] for joint in faults.segments.joints.tolist()]
    places = [
        place for place in np.flatnonzero(faults.drift.unknown).tolist() if not only or names[place] in only
    ]
    if not places:
        return None
    error = float(np.degrees(faults.drift.errors[places].max()))
    said = ", ".join(names[place] for place in places[:_MOST_NAMES])
    more = f" and {len(places) - _MOST_NAMES} more" if len(places) > _MOST_NAMES else ""
    text = (
        f"sensors turn about the vertical in this take; how far {said}{more} did is known to "
        f"{error:.1f} degrees only, and left: a T or A pose at both ends would tell"
    )
    return Finding("unknown_heading", "", 0, len(motion), error, "deg", False, text)


def between_finding(motion: Motion, faults: SegmentFaults, poses: EndPoses) -> Finding | None:
    """What is said of two reference poses: what a repair corrected that changed between them."""
    if poses.first is None or poses.last is None:
        return None
    turned = _drift_findings(motion, faults, [""] * len(faults.segments), [True] * len(faults.segments))
    sizes = [abs(one.amount) * motion.duration_s / 60 for one in turned]
    slips = [float(np.degrees(quat.angle(slip.turn))) for slip in faults.slips]
    said = [
        f"{len(each)} sensor{'s' * (len(each) > 1)} {word} by up to {max(each):.1f} degrees"
        for each, word in ((sizes, "turned"), (slips, "slipped"))
        if each
    ]
    first, last = (one.middle / motion.rate for one in (poses.first, poses.last))
    text = f"between the reference poses at {first:.1f} and {last:.1f} s "
    text += f"{' and '.join(said)}, which is corrected" if said else "no sensor turned or slipped"
    largest = max([*sizes, *slips], default=0.0)
    return Finding("reference_pose", "", poses.last.start, poses.last.stop, largest, "deg", True, text)
