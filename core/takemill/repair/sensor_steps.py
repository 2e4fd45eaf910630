"""Steps of the repair that concern one joint's sensor, each for itself, and how the sensors sat.

`SENSOR_STEPS` is their order for a joint: faults are found and bridged, then noise is taken out, since a
filter before this would smear each spike over its neighbours.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array, Mask
from ..body.motion import Motion
from ..health.check import Finding, Track, examine, sensor_findings
from ..health.finding import pose_finding
from ..maths import quat
from ..maths.parallel import each_joint
from ..maths.series import filled, runs
from ..sensors import denoise, gaps, hinges
from ..sensors.bridge import bridge
from ..sensors.misalignment import correct_misalignment, find_alignment_pose
from ..sensors.spikes import MAX_SPIKE_FRAMES
from .settings import RepairSettings, weigh_frames
from .state import RepairState

# Frames that give the slope beside a gap once noise is gone: the fewest for a quadratic. Trial: 2 make errors
# 4.5 % larger, 4 by 0.2 % (sensitivity.py).
_CALM_SLOPE_FRAMES = 3
_SAME_RATE = 0.99  # 59.94 counts as 60


@dataclass(frozen=True)
class SensorState:
    """One joint's rotations between two steps of the repair.

    Attributes:
        take: all joints as they came.
        joint: its number.
        suit: whether the take has a suit's noise.
        settings: of the repair.
        weights: (F,) how much of the repair each frame gets; None for all of it everywhere.
        raw: (F, 4) as they came.
        rotations: (F, 4) as repaired so far.
        faults: frozen frames and spikes that are to be repaired, and the noise.
        bridged: (F,) frames that were replaced.
        findings: what was found.
    """

    take: Motion
    joint: int
    suit: bool
    settings: RepairSettings
    weights: Array | None
    raw: Array
    rotations: Array
    faults: Track
    bridged: Mask
    findings: tuple[Finding, ...] = ()

    @property
    def name(self) -> str:
        """Of the joint."""
        return self.take.skeleton.names[self.joint]

    @property
    def rate(self) -> float:
        """Frames per second."""
        return self.take.rate

    @property
    def leaves_spikes(self) -> bool:
        """Whether spikes are reported and left: the take has too few frames a second to be sure of them."""
        return self.rate < _SAME_RATE * self.settings.spike_min_rate

    @property
    def has_noise(self) -> bool:
        """Whether there is noise, and it is to be taken out."""
        return self.settings.jitter and self.faults.noise > 0

    @property
    def max_gap_frames(self) -> int:
        """The longest run of bad frames that is replaced."""
        return max(int(self.settings.longest_bridge_s * self.rate), 1)


def find_faults(state: SensorState) -> SensorState:
    """Frozen frames first, because a held value would pass for calm, and its end for a spike; then spikes."""
    settings = state.settings
    least = settings.frozen_min_frames, settings.spike_min_deg
    found = examine(state.take, state.joint, state.raw, state.suit, *least)
    # What is accepted is repaired with the rest and left out at the end: the rest is as it would be without.
    ranges = weigh_frames(state.take, replace(settings, leave_s=()))
    wanted = np.ones(len(state.raw), bool) if ranges is None else ranges > 0
    return replace(
        state,
        faults=replace(
            found,
            frozen=found.frozen & wanted & settings.frozen,
            spikes=found.spikes & wanted & settings.spikes,
        ),
    )


def bridge_faults(state: SensorState) -> SensorState:
    """Frozen frames and spikes replaced by a path through their good neighbours."""
    bad = state.faults.frozen | state.faults.spikes
    if state.has_noise:
        rotations, bridged = gaps.fill(state.raw, bad, state.faults.noise, state.max_gap_frames)
    else:
        rotations, bridged = bridge(state.raw, bad, state.max_gap_frames)
    findings: list[Finding] = []
    if bad.any():
        why = ""
        if state.leaves_spikes:
            why = (
                f"at {state.rate:g} frames a second a quick move can look like this: left as it is "
                "(spike_min_rate of [repair])"
            )
        findings = sensor_findings(
            state.name, state.faults, (state.raw, rotations), state.rate, state.max_gap_frames, why
        )
    return replace(state, rotations=rotations, bridged=bridged, findings=tuple(findings))


def remove_noise(state: SensorState) -> SensorState:
    """Jitter removed."""
    if not state.has_noise:
        return state
    return replace(
        state, rotations=denoise.denoise_rotations(state.rotations, state.rate, state.faults.noise)
    )


def bridge_long_gaps_again(state: SensorState) -> SensorState:
    """Long gaps replaced anew: calm neighbours can be met with their slopes.

    What is as short as a spike needs no bridge by now.
    """
    if not state.has_noise:
        return state
    starts, stops = runs(state.bridged)
    long = stops - starts > MAX_SPIKE_FRAMES
    gap = filled(len(state.raw), starts[long], stops[long])
    rotations, _ = bridge(state.rotations, gap, state.max_gap_frames, slope_frames=_CALM_SLOPE_FRAMES)
    return replace(state, rotations=rotations)


def hold_hinge(state: SensorState) -> SensorState:
    """A joint that turns about one axis alone is put on it: what is left across the axis is noise."""
    if not state.has_noise:
        return state
    return replace(state, rotations=hinges.hold_on_hinge(state.rotations, state.faults.noise))


def blend_into_raw(state: SensorState) -> SensorState:
    """The raw take outside of the ranges that the repair is limited to, and in spikes that are left."""
    rotations, spikes = state.rotations, state.faults.spikes
    if state.leaves_spikes and spikes.any():
        rotations = np.where(spikes[:, None], state.raw, rotations)
    if state.weights is not None:
        rotations = quat.slerp(state.raw, rotations, state.weights)
    return state if rotations is state.rotations else replace(state, rotations=rotations)


SENSOR_STEPS: tuple[Callable[[SensorState], SensorState], ...] = (
    find_faults,
    bridge_faults,
    remove_noise,
    bridge_long_gaps_again,
    hold_hinge,
    blend_into_raw,
)
"""The steps for one joint, in their order."""


def repair_sensors(state: RepairState) -> RepairState:
    """Each joint's frozen frames, spikes and jitter, by `SENSOR_STEPS`."""
    raw, settings, suit = state.raw, state.settings, state.profile == "suit"
    names = raw.skeleton.names
    none = Track(np.zeros(len(raw), bool), np.zeros(len(raw), bool), 0.0)

    def repair_joint(joint: int, track: Array) -> tuple[Array, tuple[Finding, ...]]:
        weights = weigh_frames(raw, settings, (names[joint],))
        sensor = SensorState(raw, joint, suit, settings, weights, track, track, none, none.frozen)
        for step in SENSOR_STEPS:
            sensor = step(sensor)
        return sensor.rotations, sensor.findings

    joints = [j for j, name in enumerate(names) if not settings.joints or name in settings.joints]
    rotations = state.rotations.copy() if settings.joints else np.empty_like(raw.rotations)
    findings = each_joint(repair_joint, state.rotations, joints, rotations)
    return replace(
        state, rotations=rotations, findings=(*state.findings, *(one for some in findings for one in some))
    )


def remove_misalignment(state: RepairState) -> RepairState:
    """Sensor misalignment corrected, where asked for, as a held T or A pose shows it.

    After the noise is gone from that pose, and before the steps that look at where the feet are.
    """
    raw, body, only = state.raw, state.body, state.settings.joints
    if not state.settings.calibration:
        return state
    motion = raw.with_rotations(state.rotations)
    pose = find_alignment_pose(motion, body)
    if pose is None:
        text = "no T or A pose is held within 15 s of either end: how the sensors sat is not known"
        found = Finding("reference_pose", "", 0, len(raw), 0.0, "deg", False, text)
        return replace(state, rotations=motion.rotations, findings=(*state.findings, found))
    found = pose_finding(pose, len(raw), raw.rate, True)
    if only:
        left_alone = [j for j, name in enumerate(raw.skeleton.names) if name not in only]
        misalignments = pose.misalignments.copy()
        misalignments[left_alone] = quat.IDENTITY
        pose = replace(pose, misalignments=misalignments)
    rotations = correct_misalignment(motion, pose).rotations
    return replace(state, rotations=rotations, findings=(*state.findings, found))
