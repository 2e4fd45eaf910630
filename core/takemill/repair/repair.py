"""A raw take repaired for what a suit does wrong, one fault after the other.

The order, which is fixed, and why:
 1. frozen frames are found first, because a held value would pass for calm, and its end for a spike;
 2. spikes next, looking past the frozen frames; both are bridged from good neighbours;
 3. jitter then, since a filter before this would smear each spike over its neighbours; what is left of it
    across a hinge goes with it;
 4. how the sensors sat on the body, only when asked for, from a pose that no longer shakes, and before
    anything is told by where the feet are;
 5. heading drift from calm feet, before the path, because it bends it;
 6. the path and the floor from planted feet;
 7. the feet pinned last, so that only what is left has to be bent out of the legs.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace

import numpy as np

from ..base.checks import Array, Index, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap, heading, leg_length
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet import pin
from ..feet.contacts import Contacts, ContactSettings, find_contacts
from ..feet.heading_drift import heading_drift, without_drift
from ..feet.lower_body import lower_body, lower_joints
from ..feet.path_drift import path_drift
from ..feet.pin import PinSettings
from ..feet.soles import foot_points
from ..health.check import Finding, examine, sensor_findings
from ..health.finding import pose_finding
from ..maths import filters, quat
from ..maths.series import filled, runs
from ..sensors import denoise, gaps, hinges
from ..sensors.bridge import bridge
from ..sensors.misalignment import find_reference_pose, without_seats
from ..sensors.spikes import LONGEST_SPIKE

_THREADS = 8  # more wait for memory
_GROUP = 4  # joints that are fetched from memory together, a few of its lines at a time
_PART = 2048  # frames, likewise
_SEAM_S = 0.1  # over which a limited range goes over into the raw take
_STANDING = 0.3  # leg lengths from the feet up to the hips of a body that stands, crouches or crawls
_MOSTLY = 0.75  # of a second to both sides: one that lies may kick for a moment
_PINNED_NOISE = np.radians(
    0.05
)  # less noise than this: the take was repaired or keyed before, its feet are meant


@dataclass(frozen=True)
class RepairSettings:
    """Which faults are repaired, and how far.

    Attributes:
        frozen, spikes, jitter: the sensors' faults, each step on or off.
        heading, path, floor: the whole take's drift over the floor, each step on or off.
        calibration: sensors' seats, as a T or A pose at either end of the take tells them, taken out of the
            whole take; off, since a performer may have stood in the pose badly.
        trim: a T or A pose at either end left out of the file that `takemill repair` writes, and no clip may
            reach into it; frames keep their numbers. Suggested cuts leave it out anyway.
        pin: planted feet pinned; in takes whose sensors show noise, since in others the feet are meant so.
        frozen_min_frames: equal frames that make a frozen sensor.
        longest_bridge_s: longer runs of bad frames are reported and left.
        spike_min_deg: a smaller excursion is jitter.
        joints: names of the joints whose sensors are repaired and calibrated, and with all feet among them
            the feet are pinned; empty for all. Drift and floor are the whole body's.
        ranges_s: [start, stop] pairs, seconds, in which sensors are repaired and feet pinned; empty for the
            whole take. Drift and floor are the whole take's, which would jump at the ends of a part.
        contacts: when a foot counts as planted.
        pinning: how planted feet are pinned.
    """

    frozen: bool = True
    spikes: bool = True
    jitter: bool = True
    heading: bool = True
    path: bool = True
    floor: bool = True
    calibration: bool = False
    trim: bool = False
    pin: bool = True
    frozen_min_frames: int = 3
    longest_bridge_s: float = 0.25
    spike_min_deg: float = 5.0
    joints: tuple[str, ...] = ()
    ranges_s: tuple[tuple[float, float], ...] = ()
    contacts: ContactSettings = field(default_factory=ContactSettings)
    pinning: PinSettings = field(default_factory=PinSettings)


def repair(
    motion: Motion, body: BodyMap, settings: RepairSettings = RepairSettings()
) -> tuple[Motion, tuple[Finding, ...]]:
    """A take without its suit's faults: same frames, rate and skeleton; and what was found.

    Who writes or cuts the take does the trim (repair_calibration.between_poses).

    Raises:
        InputError: a setting is out of range or names no joint.
    """
    _check(motion, settings)
    joints = [
        j for j, name in enumerate(motion.skeleton.names) if not settings.joints or name in settings.joints
    ]
    below = set(lower_joints(motion.skeleton, body).tolist())
    # Steps 5 to 7 know only the joints that carry the feet, and the other ones are repaired meanwhile.
    first = joints if settings.calibration else [j for j in joints if j in below]
    later = [j for j in joints if j not in first]
    out = motion.rotations.copy() if settings.joints else np.empty_like(motion.rotations)
    repair = _mender(motion, settings, out)
    with ThreadPoolExecutor(min(os.cpu_count() or 1, _THREADS)) as pool:
        findings = [found for group in pool.map(repair, _groups(first)) for found in group]
        if settings.calibration:
            out, found = _calibrated(motion.with_rotations(out), body, settings.joints)
            findings.append(found)
        standing = pool.submit(_stand, motion, body, settings, out, findings)
        beside = list(pool.map(repair, _groups(later)))
        root = standing.result()
    findings += [found for group in beside for found in group]
    repaired = replace(motion, rotations=out, root_translation=root)
    return repaired, tuple(sorted(findings, key=lambda f: (f.start, f.stop, f.kind, f.joint)))


def _check(motion: Motion, settings: RepairSettings) -> None:
    expect_positive(settings.longest_bridge_s, "repair longest_bridge_s")
    expect_positive(settings.spike_min_deg, "repair spike_min_deg")
    if settings.frozen_min_frames < 3:
        raise InputError(f"repair frozen_min_frames: expected 3 or more, got {settings.frozen_min_frames}")
    for name in settings.joints:
        motion.skeleton.index(name)
    for start, stop in settings.ranges_s:
        if not 0 <= start < stop:
            raise InputError(f"repair ranges_s: expected 0 <= start < stop, got {start} and {stop}")


def _groups(joints: list[int]) -> list[slice]:
    """Joints that lie side by side, `_GROUP` at most: slices are turned around at twice the pace of lists."""
    out: list[slice] = []
    for joint in joints:
        if out and joint == out[-1].stop and joint - out[-1].start < _GROUP:
            out[-1] = slice(out[-1].start, joint + 1)
        else:
            out.append(slice(joint, joint + 1))
    return out


def _mender(motion: Motion, settings: RepairSettings, out: Array) -> Callable[[slice], list[Finding]]:
    """Steps 1 to 3 as a verb on some joints, that fills them in `out` (F, J, 4) and gives findings.

    Joints know nothing of each other, and numpy lets go of Python's lock: any number may run at a time.
    """
    share = _range_share(motion, settings)

    def repair(joints: slice) -> list[Finding]:
        tracks = _tracks(motion.rotations, joints)
        findings = []
        for joint, track in zip(range(joints.start, joints.stop), tracks, strict=True):
            track[:], found = _repair_sensor(motion, joint, track, settings, share)
            findings += found
        for part in _parts(len(out)):
            out[part, joints] = tracks[:, part].swapaxes(0, 1)
        return findings

    return repair


def _tracks(rotations: Array, joints: slice) -> Array:
    """The tracks (N, F, 4) of some joints of rotations (F, J, 4), laid out component by component."""
    planes = np.empty((joints.stop - joints.start, 4, len(rotations)))
    for part in _parts(len(rotations)):
        planes[..., part] = np.moveaxis(rotations[part, joints], 0, -1)
    return planes.swapaxes(1, 2)


def _parts(frames: int) -> list[slice]:
    """Stretches of a take whose joints, next to each other in memory, are turned around in the cache."""
    return [slice(k, k + _PART) for k in range(0, frames, _PART)]


def _repair_sensor(
    motion: Motion, joint: int, raw: Array, settings: RepairSettings, share: Array | None
) -> tuple[Array, list[Finding]]:
    """One joint's rotations (F, 4) repaired, and what was found."""
    track = examine(raw, settings.frozen_min_frames, settings.spike_min_deg)
    everywhere = np.ones(len(raw), bool) if share is None else share > 0
    track = replace(
        track,
        frozen=track.frozen & everywhere & settings.frozen,
        spikes=track.spikes & everywhere & settings.spikes,
    )
    bad = track.frozen | track.spikes
    max_gap = max(int(settings.longest_bridge_s * motion.rate), 1)
    calm = settings.jitter and track.noise > 0
    if calm:
        repaired, bridged = gaps.fill(raw, bad, track.noise, max_gap)
    else:
        repaired, bridged = bridge(raw, bad, max_gap)
    found = []
    if bad.any():
        found = sensor_findings(motion.skeleton.names[joint], track, (raw, repaired), motion.rate, max_gap)
    if calm:
        repaired = denoise.denoise_rotations(repaired, motion.rate, track.noise)
        # Calm neighbours can be met with their slopes; what is as short as a spike needs no bridge by now.
        starts, stops = runs(bridged)
        long = stops - starts > LONGEST_SPIKE
        repaired, _ = bridge(repaired, filled(len(raw), starts[long], stops[long]), max_gap, slope_frames=3)
        repaired = hinges.on_hinge(repaired, track.noise)
    return repaired if share is None else quat.slerp(raw, repaired, share), found


def _calibrated(motion: Motion, body: BodyMap, joints: tuple[str, ...]) -> tuple[Array, Finding]:
    """Step 4: rotations (F, J, 4) without the seats of sensors (of some joints), and what is said of it."""
    pose = find_reference_pose(motion, body)
    if pose is None:
        text = "no T or A pose is held within 15 s of either end: how the sensors sat is not known"
        return motion.rotations.copy(), Finding("reference_pose", "", 0, len(motion), 0.0, "deg", False, text)
    found = pose_finding(pose, len(motion), motion.rate, True)
    if joints:
        left = [j for j, name in enumerate(motion.skeleton.names) if name not in joints]
        seats = pose.seats.copy()
        seats[left] = quat.IDENTITY
        pose = replace(pose, seats=seats)
    return without_seats(motion, pose).rotations.copy(), found


def _range_share(motion: Motion, settings: RepairSettings) -> Array | None:
    """How much (F,) of the repair each frame gets; None for all of it everywhere."""
    if not settings.ranges_s:
        return None
    time = np.arange(len(motion)) / motion.rate
    inside = [np.minimum(time - start, stop - time) / _SEAM_S for start, stop in settings.ranges_s]
    return np.clip(np.max(inside, axis=0), 0.0, 1.0)


def _stand(
    motion: Motion, body: BodyMap, settings: RepairSettings, rotations: Array, findings: list[Finding]
) -> Array:
    """Steps 5 to 7: the root's path (F, 3); turns the joints of rotations (F, J, 4) that carry the feet."""
    root = motion.root_translation
    if settings.jitter and not settings.joints and not settings.ranges_s:
        root = denoise.denoise_vectors(root, motion.rate, denoise.noise_deviation(root))
    if not body.feet or len(motion) < 3:
        return root
    legs, legs_body, joints = lower_body(motion, body, rotations, root)
    contacts = _standing(legs, legs_body, find_contacts(legs, legs_body, settings.contacts))
    if not contacts.planted.any():
        return root
    if settings.heading:
        legs, found = _without_heading_drift(legs, legs_body, contacts)
        findings += found
    if settings.path or settings.floor:
        legs, found = _without_path_drift(legs, legs_body, contacts, settings)
        findings += found
    if settings.pin and settings.path and settings.floor and _rough(motion, joints):
        on_floor = replace(_to_be_pinned(contacts, motion, body, settings), floor_m=0.0)
        legs, _ = pin.pin_feet(legs, legs_body, on_floor, settings.pinning)
    rotations[:, joints] = legs.rotations
    return legs.root_translation


def _rough(motion: Motion, joints: Index) -> bool:
    """Whether the sensors of the joints that carry the feet show noise."""
    noises = [2 * denoise.noise_deviation(motion.rotations[:, joint]) for joint in joints]
    return float(np.median(noises)) > _PINNED_NOISE


def _to_be_pinned(contacts: Contacts, motion: Motion, body: BodyMap, settings: RepairSettings) -> Contacts:
    """The contacts within the limits of a repair: in the ranges; none where a foot is left out."""
    share = _range_share(motion, settings)
    inside = np.ones(len(motion), bool) if share is None else share > 0
    if settings.joints and not {motion.skeleton.names[body.require(foot)] for foot in contacts.feet} <= set(
        settings.joints
    ):
        inside[:] = False
    return replace(contacts, heel=contacts.heel & inside[:, None], toe=contacts.toe & inside[:, None])


def _standing(legs: Motion, body: BodyMap, contacts: Contacts) -> Contacts:
    """The contacts of feet that bear a body: those of one that lies or swims tell nothing about its path."""
    hips = joint_in_model(legs, body.require("hips"))[1][:, 2]
    lowest = foot_points(legs, body)[..., 2].min(axis=(1, 2))
    bears = hips - lowest > _STANDING * leg_length(legs.skeleton, body)
    bears = (bears & (filters.moving_mean(bears.astype(float), round(legs.rate)) > _MOSTLY))[:, None]
    return replace(contacts, heel=contacts.heel & bears, toe=contacts.toe & bears)


def _without_heading_drift(legs: Motion, body: BodyMap, contacts: Contacts) -> tuple[Motion, list[Finding]]:
    """Step 5."""
    points = foot_points(legs, body)
    drift = heading_drift(points, contacts.heel & contacts.toe, heading(legs, body), legs.rate)
    if not drift.heading.any():
        return legs, []
    turned, path = without_drift(legs.rotations[:, 0], legs.root_translation, drift.heading)
    rotations = legs.rotations.copy()
    rotations[:, 0] = turned
    text = (
        f"the heading drifted by {drift.deg_per_min:.1f} degrees a minute "
        f"(known to {drift.error_deg_per_min:.1f}); it no longer does"
    )
    found = Finding("heading_drift", "", 0, len(legs), drift.deg_per_min, "deg/min", True, text)
    return replace(legs, rotations=rotations, root_translation=path), [found]


def _without_path_drift(
    legs: Motion, body: BodyMap, contacts: Contacts, settings: RepairSettings
) -> tuple[Motion, list[Finding]]:
    """Step 6: the path over the floor, and its height."""
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    drift = path_drift(foot_points(legs, body), planted, legs.rate)
    found = []
    if not settings.path:
        drift[:] = [0.0, 0.0, contacts.floor_m]
    if not settings.floor:
        drift[:, 2] = 0.0
    minutes = len(legs) / legs.rate / 60
    slid = 100 * float(np.linalg.norm(drift[-1, :2] - drift[0, :2])) / minutes
    if settings.path and slid > 20:
        text = f"the path slid by {slid:.0f} cm a minute under the planted feet; it follows them now"
        found.append(Finding("path_drift", "", 0, len(legs), slid, "cm/min", True, text))
    if settings.floor and abs(contacts.floor_m) >= 0.001:
        text = f"the floor was at {1000 * contacts.floor_m:.0f} mm; it is at 0 now"
        found.append(Finding("floor_offset", "", 0, len(legs), 1000 * contacts.floor_m, "mm", True, text))
    return legs.with_translation(0, legs.root_translation - drift), found
