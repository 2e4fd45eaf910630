"""A raw take repaired for what a suit does wrong, one fault after the other."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..feet.walks_in_place import walked_in_place_m
from ..health.finding import Finding
from ..health.profile import find_profile
from ..maths import quat
from .ground_steps import (
    denoise_root,
    find_bearing_contacts,
    level_floor,
    pin_planted_feet,
    remove_heading_drift,
    remove_path_drift,
)
from .path_step import find_missing_path
from .segment_steps import repair_segment_faults
from .sensor_steps import remove_misalignment, repair_sensors
from .settings import ALL_REPAIRS, check_settings
from .settings import RepairSettings as RepairSettings
from .state import RepairState

STEPS: tuple[Callable[[RepairState], RepairState], ...] = (
    repair_segment_faults,
    repair_sensors,
    remove_misalignment,
    denoise_root,
    find_missing_path,
    find_bearing_contacts,
    remove_heading_drift,
    remove_path_drift,
    level_floor,
    pin_planted_feet,
)
"""The steps in their order, which is fixed; each says why it stands where it stands."""


def repair(
    motion: Motion, body: BodyMap, settings: RepairSettings = ALL_REPAIRS
) -> tuple[Motion, tuple[Finding, ...]]:
    """A take without its suit's faults: same frames, rate and skeleton; and what was found.

    Who writes or cuts the take does the trim (misalignment.between_poses).

    Raises:
        InputError: a setting is out of range or names no joint.
    """
    check_settings(motion, settings)
    if settings.profile:
        profile, in_place_m = settings.profile, walked_in_place_m(motion, body)
    else:
        found = find_profile(motion, body)
        profile, in_place_m = found.kind, found.in_place_m
    state = RepairState(
        motion, body, settings, profile, motion.rotations, motion.root_translation, in_place_m
    )
    for step in STEPS:
        state = step(state)
    rotations, root = state.rotations, state.root
    if state.lower is not None and state.lower.is_changed:
        legs = state.lower.motion
        rotations, root = rotations.copy(), legs.root_translation
        rotations[:, state.lower.joints] = legs.rotations
    repaired = replace(state.raw, rotations=rotations, root_translation=root)
    if settings.amount < 1:
        repaired = _blended(motion, repaired, settings.amount)
    findings = (_left_alone(one, motion.rate, settings) for one in state.findings)
    return repaired, tuple(sorted(findings, key=lambda f: (f.start, f.stop, f.kind, f.joint)))


def _left_alone(finding: Finding, rate: float, settings: RepairSettings) -> Finding:
    """A finding, as left where all of it was accepted."""
    accepted = finding.joint and any(
        name in ("", finding.joint) and start * rate <= finding.start and finding.stop - 1 <= stop * rate
        for name, start, stop in settings.leave_s
    )
    return replace(finding, repaired=False) if accepted else finding


def _blended(raw: Motion, repaired: Motion, amount: float) -> Motion:
    """A take that got so much of its repair, 0 to 1: of each joint's turn, and of all paths."""
    tracks = {
        joint: raw.translations[joint] + amount * (track - raw.translations[joint])
        for joint, track in repaired.translations.items()
    }
    root = raw.root_translation + amount * (repaired.root_translation - raw.root_translation)
    turned = quat.continuous(quat.slerp(raw.rotations, repaired.rotations, amount))
    return replace(repaired, rotations=turned, root_translation=root, translations=tracks)
