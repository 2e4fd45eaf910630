"""A raw take mended for what a suit does wrong, one fault after the other.

The order, which is fixed, and why:
 1. frozen frames are found first, because a held value would pass for calm, and its end for a spike;
 2. spikes next, looking past the frozen frames; both are bridged from good neighbours;
 3. jitter then, since a filter before this would smear each spike over its neighbours;
 4. the floor last, from feet that no longer shake.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from . import denoise, faults, quat
from .body_map import BodyMap
from .checks import Array, expect_positive
from .contacts import ContactSettings, find_contacts
from .errors import InputError
from .health import Finding, examine, sensor_findings
from .motion import Motion


@dataclass(frozen=True)
class RepairSettings:
    """Which faults are mended, and how far.

    Attributes:
        frozen, spikes, jitter, floor: each step on or off.
        frozen_min_frames: equal frames that make a frozen sensor.
        longest_bridge_s: longer runs of bad frames are reported and left.
        spike_min_deg: a smaller excursion is jitter.
        joints: names of the joints whose sensors are mended; empty for all.
        contacts: when a foot counts as planted.
    """

    frozen: bool = True
    spikes: bool = True
    jitter: bool = True
    floor: bool = True
    frozen_min_frames: int = 3
    longest_bridge_s: float = 0.25
    spike_min_deg: float = 3.0
    joints: tuple[str, ...] = ()
    contacts: ContactSettings = field(default_factory=ContactSettings)


def repair(
    motion: Motion, body: BodyMap, settings: RepairSettings = RepairSettings()
) -> tuple[Motion, tuple[Finding, ...]]:
    """A take without its sensors' faults: same frames, rate and skeleton; and what was found.

    Raises:
        InputError: a setting is out of range or names no joint.
    """
    _check(motion, settings)
    rotations, findings = _mend_sensors(motion, settings)
    root = motion.root_translation
    if settings.jitter:
        root = denoise.denoise_vectors(root, motion.rate, denoise.noise_deviation(root))
    mended = replace(motion, rotations=rotations, root_translation=root)
    if settings.floor:
        mended, found = _level(mended, body, settings.contacts)
        findings += found
    return mended, tuple(sorted(findings, key=lambda f: (f.start, f.stop, f.kind, f.joint)))


def _check(motion: Motion, settings: RepairSettings) -> None:
    expect_positive(settings.longest_bridge_s, "repair longest_bridge_s")
    expect_positive(settings.spike_min_deg, "repair spike_min_deg")
    if settings.frozen_min_frames < 3:
        raise InputError(f"repair frozen_min_frames: expected 3 or more, got {settings.frozen_min_frames}")
    for name in settings.joints:
        motion.skeleton.index(name)


def _mend_sensors(motion: Motion, settings: RepairSettings) -> tuple[Array, list[Finding]]:
    """Steps 1 to 3, joint by joint: rotations (F, J, 4) and findings."""
    out = motion.rotations.copy()
    findings: list[Finding] = []
    max_gap = max(int(settings.longest_bridge_s * motion.rate), 1)
    for joint, name in enumerate(motion.skeleton.names):
        if settings.joints and name not in settings.joints:
            continue
        raw = np.ascontiguousarray(motion.rotations[:, joint])
        track = examine(raw, settings.frozen_min_frames, settings.spike_min_deg)
        if not settings.frozen:
            track = replace(track, frozen=np.zeros_like(track.frozen))
        if not settings.spikes:
            track = replace(track, spikes=np.zeros_like(track.spikes))
        bad = track.frozen | track.spikes
        mended, bridged = faults.bridge(raw, bad, max_gap)
        if bad.any():
            findings += sensor_findings(name, track, quat.angle_between(raw, mended), motion.rate, max_gap)
        if settings.jitter and track.noise > 0:
            mended = quat.continuous(denoise.denoise_rotations(mended, motion.rate, track.noise))
            # Calm neighbours give better slopes than the shaking ones had.
            mended, _ = faults.bridge(mended, bridged, max_gap, slope_frames=4)
        out[:, joint] = mended
    return out, findings


def _level(motion: Motion, body: BodyMap, settings: ContactSettings) -> tuple[Motion, list[Finding]]:
    """The take moved so that its floor is at height 0."""
    contacts = find_contacts(motion, body, settings)
    if not contacts.planted.any():
        return motion, []
    lifted = motion.with_translation(0, motion.root_translation - np.array([0, 0, contacts.floor_m]))
    if abs(contacts.floor_m) < 0.001:
        return lifted, []
    text = f"the floor was at {1000 * contacts.floor_m:.0f} mm; it is at 0 now"
    return lifted, [Finding("floor", "", 0, len(motion), 1000 * contacts.floor_m, "mm", True, text)]
