"""What is wrong with a take, where, and how badly; nothing is changed here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Literal

import numpy as np

from ..base.checks import Array, Index, Mask
from ..body.body_map import BodyMap, heading
from ..body.body_parts import SIDES
from ..body.intake import find_intake
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.contacts import Contacts, ContactSettings, find_contacts
from ..feet.heading_drift import heading_drift
from ..feet.path_drift import path_drift
from ..feet.soles import foot_points
from ..feet.walks_in_place import walked_in_place_m
from ..maths import quat, series
from ..maths.parallel import each_joint
from ..maths.series import eroded
from ..sensors import denoise
from ..sensors.bridge import bridge
from ..sensors.death import find_death
from ..sensors.frozen import MAX_REPEAT_DIFFERENCE, find_frozen
from ..sensors.misalignment import reference_poses
from ..sensors.spike_evidence import FINE_RATE, find_evidence, sure_frames
from ..sensors.spikes import find_spikes
from .finding import Finding as Finding
from .finding import floor_findings, no_path_finding, pose_finding
from .joint_limits import body_findings
from .profile import Kind, find_profile
from .segment_findings import check_segments

# No capture can measure that a planted foot glides by less: skin under a marker, and a shoe under a sensor,
# move so far (common practice, no source). Clean walks of the open motions stay below 0.9 cm, damaged ones
# glide by more than 4.
_MIN_GLIDE_M = 0.01
# The first and last moments of a contact, as in feet/path_drift.py.
_CONTACT_EDGE_S = 0.05
# Drift of shorter takes, and slower drift, is not reported (chosen by eye).
_MIN_DRIFT_TAKE_S, _MIN_DRIFT_DEG_MIN, _MIN_DRIFT_CM_MIN = 10.0, 1.0, 20.0
_MIN_JUDGED_S = 0.5  # in less, noise and drift cannot be separated from motion (chosen by eye)
# The least jump out of a hold that makes it a frozen sensor: in a suit's take more than its noise; in others
# more than an animator's hold or a doubled frame leaves (in an open roll up to 1.2; chosen by eye).
_MIN_SUIT_JUMP_DEG, _MIN_CLEAN_JUMP_DEG = 0.1, 3.0
# Hips whose upward axis is within 30 degrees of level for so long lie; common practice, no source.
_MIN_LYING_S, _MAX_LYING_SINE = 0.5, 0.5


@dataclass(frozen=True)
class Health:
    """Findings, and measures of the whole take by name (MEASURES) with the unit at the end of the name."""

    findings: tuple[Finding, ...]
    measures: Mapping[str, float]

    def __post_init__(self) -> None:
        object.__setattr__(self, "measures", MappingProxyType(dict(self.measures)))


MEASURES: Mapping[str, str] = MappingProxyType(
    {
        "spike_frames": "joint frames in which a sensor jumped off",
        "frozen_frames": "joint frames in which a sensor repeated itself",
        "jitter_deg": "turn that denoising takes away, RMS over joints and frames",
        "skating_cm_s": "mean speed along the floor of planted heels and toes",
        "floor_error_mm": "mean distance of planted heels and toes from their floor, one floor being at 0",
        "heading_drift_deg_min": "yaw that the take gains; 0 where it is below what can be known",
        "path_drift_cm_min": "path that the planted feet slide, from the first frame to the last",
        "joint_limit_frames": "joint frames in which a joint bends out of its range",
        "planted_share": "share of frames with a foot on the floor",
    }
)
"""The measures of `check` by name, and what they are; names are stable."""


@dataclass(frozen=True)
class HealthSettings:
    """What is reported.

    Attributes:
        frozen_min_frames: equal frames that make a frozen sensor.
        spike_min_deg: a smaller excursion is jitter.
        jitter_min_deg: joints below this are not reported as jittery.
        skating_min_cm_s, floor_min_mm: smaller slips and offsets are not reported.
        contacts: when a foot counts as planted.
    """

    frozen_min_frames: int = 3
    spike_min_deg: float = 5.0
    jitter_min_deg: float = 0.2
    skating_min_cm_s: float = 2.0
    floor_min_mm: float = 5.0
    contacts: ContactSettings = field(default_factory=ContactSettings)


@dataclass(frozen=True)
class Track:
    """What one joint's sensor did.

    Attributes:
        frozen, spikes: (F,) frames.
        noise: standard deviation about one axis, radians.
    """

    frozen: Mask
    spikes: Mask
    noise: float


def examine(
    motion: Motion,
    joint: int,
    rotations: Array,
    suit: bool = True,
    frozen_min_frames: int = 3,
    spike_min_deg: float = 5.0,
) -> Track:
    """Frozen frames, spikes and noise of one joint.

    Args:
        motion: the take, in which the other joints show what the body did.
        joint: whose.
        rotations: (F, 4) its own, hemisphere-continuous and quick to read.
        suit: whether the take has a suit's noise (`find_profile`); others have none, and joints that rest.
        frozen_min_frames: equal frames that make a frozen sensor.
        spike_min_deg: a smaller excursion is jitter.
    """
    noise = 2 * denoise.noise_deviation(rotations) if suit else 0.0
    jump_deg = _MIN_SUIT_JUMP_DEG if suit else _MIN_CLEAN_JUMP_DEG
    frozen = find_frozen(rotations, noise, frozen_min_frames, np.radians(jump_deg))
    spikes = find_spikes(rotations, frozen, np.radians(spike_min_deg))
    if spikes.any() and motion.rate < FINE_RATE:
        parents = motion.skeleton.parents
        evidence = find_evidence(motion.rotations, joint, parents, spikes, spikes | frozen, noise)
        spikes = sure_frames(evidence, len(spikes), motion.rate)
    return Track(frozen, spikes, noise)


def check(
    motion: Motion,
    body: BodyMap,
    settings: HealthSettings = HealthSettings(),
    contacts: Contacts | None = None,
    profile: Kind | Literal[""] = "",
) -> Health:
    """The health of a take: findings sorted by frame, and MEASURES.

    `contacts` and `profile`, what recorded the take, are found unless they are known.
    """
    frames, suit = len(motion), (profile or find_profile(motion, body).kind) == "suit"
    sensors = each_joint(
        lambda joint, track: (None, _check_sensor(motion, body, joint, track, suit, settings)),
        motion.rotations,
        range(len(motion.skeleton)),
    )
    findings = [one for sensor in sensors for one in sensor.findings]
    contacts = contacts or find_contacts(motion, body, settings.contacts)
    ground, measures = _check_ground(motion, body, contacts, settings)
    body_faults = body_findings(motion, body, contacts)
    measures |= {
        "spike_frames": float(sum(sensor.spikes for sensor in sensors)),
        "frozen_frames": float(sum(sensor.frozen for sensor in sensors)),
        "jitter_deg": float(np.sqrt(np.mean([sensor.jitter_deg**2 for sensor in sensors]))),
        "joint_limit_frames": float(sum(f.stop - f.start for f in body_faults if f.kind == "joint_limit")),
    }
    findings += body_faults
    findings += check_segments(motion, body)
    findings += [pose_finding(pose, frames, motion.rate, False) for pose in reference_poses(motion, body)]
    findings += _posture_findings(motion, body)
    if walked_m := walked_in_place_m(motion, body):
        findings.append(no_path_finding(frames, walked_m))
    intake = find_intake(motion, body)
    for problem in intake.problems if intake else ():
        findings.append(Finding("intake", "", 0, frames, 0.0, "", False, problem))
    ordered = sorted(findings + ground, key=lambda f: (f.start, f.stop, f.kind, f.joint))
    return Health(tuple(ordered), measures)


@dataclass(frozen=True)
class _Sensor:
    """What the check says of one joint's sensor; `spikes` and `frozen` count frames."""

    findings: tuple[Finding, ...]
    spikes: int
    frozen: int
    jitter_deg: float


def _check_sensor(
    motion: Motion, body: BodyMap, joint: int, rotations: Array, suit: bool, settings: HealthSettings
) -> _Sensor:
    name, frames = motion.skeleton.names[joint], len(motion)
    least = settings.frozen_min_frames, settings.spike_min_deg
    track = examine(motion, joint, rotations, suit, *least)
    bridged, _ = bridge(rotations, track.frozen | track.spikes, frames)
    findings = sensor_findings(name, track, (rotations, bridged), motion.rate, 0)
    findings += _dead_sensor(motion, body, joint, track)
    calm = denoise.denoise_rotations(bridged, motion.rate, track.noise)
    jitter = float(np.degrees(np.sqrt(np.mean(quat.angle_between(bridged, calm) ** 2))))
    if jitter >= settings.jitter_min_deg:
        text = f"{name} jitters by {jitter:.2f} degrees (RMS)"
        findings.append(Finding("jitter", name, 0, frames, jitter, "deg", False, text))
    return _Sensor(tuple(findings), int(track.spikes.sum()), int(track.frozen.sum()), jitter)


def _dead_sensor(motion: Motion, body: BodyMap, joint: int, track: Track) -> list[Finding]:
    """A joint that never moves though the same one of the other side does, or that stops for good."""
    rotations, name, frames = motion.rotations[:, joint], motion.skeleton.names[joint], len(motion)
    start, text = 0, ""
    if frames > 1 and is_still(rotations):
        if _was_sensed(motion, body, joint):
            text = f"{name} never moves: its sensor may be dead"
    elif (died := find_death(rotations, motion.rate)) is not None and not track.frozen[died + 1 :].all():
        start = died
        text = f"{name} repeats one value from {died / motion.rate:.2f} s to the end: its sensor died"
    return [Finding("dead_sensor", name, start, frames, 0.0, "deg", False, text)] if text else []


def _was_sensed(motion: Motion, body: BodyMap, joint: int) -> bool:
    """Whether a joint that never moves can have had a sensor: if the same joint of the other side moves.

    Of a head, hips or a spine that never move, nothing in the take says whether a sensor sat there: rigs have
    joints that no capture ever fills.
    """
    part = body.part_of(joint)
    side = next((one for one in SIDES if part and part.startswith(one)), "")
    if part is None or not side or part.removeprefix(side) not in _SENSED_PARTS:
        return False
    other = body.get(part.replace(side, SIDES[1 - SIDES.index(side)], 1))
    return other is not None and not is_still(motion.rotations[:, other])


# Parts of a side that have a sensor of their own in any suit (common practice, no source).
_SENSED_PARTS = ("UpperArm", "LowerArm", "Hand", "UpperLeg", "LowerLeg", "Foot")


def is_still(rotations: Array) -> bool:
    """Whether rotations (F, 4) never change."""
    return bool(np.abs(rotations - rotations[:1]).max() < MAX_REPEAT_DIFFERENCE)


def sensor_findings(
    name: str,
    track: Track,
    raw_and_bridged: tuple[Array, Array],
    rate: float,
    max_bridge: int,
    spikes_left: str = "",
) -> list[Finding]:
    """Findings for one joint's spikes and frozen frames.

    Args:
        name: of the joint.
        track: its faults.
        raw_and_bridged: the sensor's rotations (F, 4), and those of the bridge.
        rate: frames per second.
        max_bridge: frames; runs of faults up to this length are said to be repaired.
        spikes_left: why spikes are not; "" where they are.
    """
    out = []
    frames = len(track.frozen)
    bad = np.flatnonzero(track.frozen | track.spikes)
    # One frame more, since a run may end where the take does.
    off, short = np.zeros(frames + 1), np.ones(frames + 1, bool)
    off[bad] = np.degrees(quat.angle_between(*(rotations[bad] for rotations in raw_and_bridged)))
    starts, stops = series.runs(track.frozen | track.spikes)
    long = stops - starts > max_bridge
    short[:-1] = ~series.filled(frames, starts[long], stops[long])
    for kind, mask in (("frozen", track.frozen), ("spike", track.spikes)):
        starts, stops = series.runs(mask)
        if len(starts) == 0:
            continue
        edges = np.stack([starts, stops], axis=1).ravel()
        amounts = np.maximum.reduceat(off, edges)[::2].tolist()
        within = np.logical_and.reduceat(short, edges)[::2].tolist()
        for start, stop, amount, repaired in zip(
            starts.tolist(), stops.tolist(), amounts, within, strict=True
        ):
            if kind == "frozen":
                text = f"{name} is frozen for {stop - start} frames ({(stop - start) / rate:.2f} s)"
            else:
                text = f"{name} jumps off by {amount:.0f} degrees"
            if kind == "spike" and spikes_left:
                text, repaired = f"{text}; {spikes_left}", False
            elif max_bridge and not repaired:
                text += f"; longer than the longest bridge ({max_bridge} frames), left as it is"
            out.append(Finding(kind, name, start, stop, amount, "deg", repaired, text))
    return out


def _check_ground(
    motion: Motion, body: BodyMap, contacts: Contacts, settings: HealthSettings
) -> tuple[list[Finding], dict[str, float]]:
    """Findings and measures about feet and floor."""
    frames = len(motion)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)  # (F, K, 2)
    measures = {
        "skating_cm_s": 0.0,
        "floor_error_mm": 0.0,
        "heading_drift_deg_min": 0.0,
        "path_drift_cm_min": 0.0,
        "planted_share": float(contacts.planted.any(axis=1).mean()) if contacts.feet else 0.0,
    }
    if not contacts.feet:
        text = "no foot is mapped: contacts, skating and the floor cannot be judged"
        return [Finding("no_feet", "", 0, frames, 0.0, "", False, text)], measures
    if not planted.any():
        text = "no foot is ever planted: the floor cannot be determined"
        return [Finding("no_feet", "", 0, frames, 0.0, "", False, text)], measures
    points = foot_points(motion, body)
    # A foot that rolls over one end does not skate, and its other end does not float: of the two ends the
    # slower one counts for skating, and the lower one for the floor.
    speeds = 100 * np.linalg.norm(series.derivative(points, motion.rate)[..., :2], axis=-1)
    speeds = np.where(planted, speeds, np.inf)
    speed = speeds.min(axis=-1)
    height = 1000 * np.abs(contacts.over_floor(points)[..., 2].min(axis=-1))
    # The frames of landing and leaving belong to the swing.
    inner = eroded(contacts.planted, round(_CONTACT_EDGE_S * motion.rate))
    inner = inner if inner.any() else contacts.planted
    measures["skating_cm_s"] = float(speed[inner].mean())
    measures["floor_error_mm"] = float(height[inner].mean())
    measures |= _measure_drift(motion, body, contacts, points)
    findings = []
    for k, foot in enumerate(contacts.feet):
        name = motion.skeleton.names[body.require(foot)]
        for start, stop in contacts.ranges(foot):
            there = inner[start:stop, k]
            slip = float(speed[start:stop, k][there].mean()) if there.any() else 0.0
            frames_in = start + np.flatnonzero(there)
            glide = _glide_m(points[frames_in, k, :, :2], speeds[frames_in, k].argmin(axis=-1))
            if slip >= settings.skating_min_cm_s and glide >= _MIN_GLIDE_M:
                text = f"{name} skates at {slip:.1f} cm/s while planted"
                findings.append(Finding("skating", name, start, stop, slip, "cm/s", False, text))
    offset = 1000 * contacts.floor_m
    if abs(offset) >= settings.floor_min_mm:
        word = "above" if offset > 0 else "below"
        text = f"the feet stand {abs(offset):.0f} mm {word} height 0"
        findings.append(Finding("floor_offset", "", 0, frames, float(offset), "mm", False, text))
    return findings + floor_findings(contacts, frames) + _drift_findings(motion, measures), measures


def _glide_m(points: Array, bearing: Index) -> float:
    """How far a planted foot glides over the floor: its heel and toe (F, 2, 2), and which bears it (F,)."""
    if len(points) < 2:
        return 0.0
    steps = np.diff(points, axis=0)[np.arange(len(points) - 1), bearing[:-1]]
    path = np.concatenate([np.zeros((1, 2)), np.cumsum(steps, axis=0)])
    return float(np.linalg.norm(np.ptp(path, axis=0)))


def _drift_findings(motion: Motion, measures: Mapping[str, float]) -> list[Finding]:
    """Findings about drift, in takes so long that it differs from a turn or a step."""
    if motion.duration_s < _MIN_DRIFT_TAKE_S:
        return []
    out = []
    turned, slid = measures["heading_drift_deg_min"], measures["path_drift_cm_min"]
    if turned >= _MIN_DRIFT_DEG_MIN:
        text = f"the heading drifts by {turned:.1f} degrees a minute"
        out.append(Finding("heading_drift", "", 0, len(motion), turned, "deg/min", False, text))
    if slid >= _MIN_DRIFT_CM_MIN:
        text = f"the path slides by {slid:.0f} cm a minute under the planted feet"
        out.append(Finding("path_drift", "", 0, len(motion), slid, "cm/min", False, text))
    return out


def _posture_findings(motion: Motion, body: BodyMap) -> list[Finding]:
    """What hinders a judgement of the whole take: that it is short, or that the body lies."""
    frames, out = len(motion), []
    if frames < _MIN_JUDGED_S * motion.rate:
        count = "1 frame is" if frames == 1 else f"{frames} frames are"
        text = f"{count} too little to separate noise, spikes and drift from motion"
        out.append(Finding("too_short", "", 0, frames, frames / motion.rate, "s", False, text))
    if frames > 1 and is_still(motion.rotations):
        text = "the whole body never moves: the take is one pose"
        out.append(Finding("dead_sensor", "", 0, frames, 0.0, "deg", False, text))
    hips = body.get("hips")
    if hips is None:
        return out
    turned = quat.mul(joint_in_model(motion, hips)[0], quat.inv(motion.skeleton.reference_model[0][hips]))
    lies = np.abs(quat.rotate(turned, np.array([0.0, 0.0, 1.0]))[:, 2]) < _MAX_LYING_SINE
    for start, stop in zip(*(edges.tolist() for edges in series.runs(lies)), strict=True):
        seconds = (stop - start) / motion.rate
        if seconds >= _MIN_LYING_S:
            text = f"the hips lie level for {seconds:.1f} s: path and floor are unreliable here"
            out.append(Finding("lying", "", start, stop, seconds, "s", False, text))
    return out


def _measure_drift(motion: Motion, body: BodyMap, contacts: Contacts, points: Array) -> dict[str, float]:
    """How fast heading and path drift, measured at heels and toes (F, K, 2, 3)."""
    if len(motion) < max(_MIN_JUDGED_S * motion.rate, 3):
        return {}
    minutes = len(motion) / motion.rate / 60
    turned = heading_drift(points, contacts.heel & contacts.toe, heading(motion, body), motion.rate)
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    slid = path_drift(contacts.over_floor(points), planted, motion.rate)
    return {
        "heading_drift_deg_min": abs(turned.deg_per_min) if turned.heading.any() else 0.0,
        "path_drift_cm_min": 100 * float(np.linalg.norm(slid[-1, :2] - slid[0, :2])) / minutes,
    }
