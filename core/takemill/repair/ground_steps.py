"""Steps of the repair that concern the body on its floor: path, contacts, heading, floor, planted feet.

All but the first know only the joints that carry the feet, and what those show of the whole body.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..body.body_map import BodyMap, heading, leg_length
from ..body.motion import Motion
from ..body.posed import chain_in_model
from ..feet import pin
from ..feet.bearing import keep_bearing
from ..feet.contacts import Contacts, find_contacts
from ..feet.heading_drift import heading_drift, remove_drift
from ..feet.lower_body import lower_body
from ..feet.path_drift import path_drift
from ..feet.rests import HANDS, find_rests, may_rest
from ..feet.soles import foot_points
from ..health.finding import Finding
from ..maths import quat
from ..sensors import denoise
from .settings import RepairSettings, weigh_frames
from .state import LowerBody, RepairState

# With less noise in its sensors, degrees along one axis, the take was repaired or keyed before, and its feet
# are meant as they are. By trial: 0.25 in the raw sample and 0.5 in the damaged takes of the tests, below
# 0.004 once they are repaired.
_MIN_RAW_NOISE_DEG = 0.05
_MIN_PATH_DRIFT_CM_MIN = 20.0  # slower drift is not reported; `check` has the same limit
# A sole lies between a foot's lowest joint and, where that is the ankle, 0.08 leg lengths below it (as in
# feet/soles.py): half of that either way. On one floor soles lie within 0.03 of it most of the time that they
# are planted: 0.9 to 1 in open motions, whose few others kneel on their toes.
_MAX_SOLE_ERROR_LEGS, _MAX_FLOOR_SPREAD_LEGS, _MIN_ON_FLOOR = 0.04, 0.03, 0.9
_LOWEST_PERCENT = 1.0  # of the frames: fewer that lie lower are a fault of the take
_MIN_FLOOR_OFFSET_M = 0.001  # a floor nearer to height 0 is not reported: lists show whole millimetres


def denoise_root(state: RepairState) -> RepairState:
    """The path of the hips without jitter, where the whole body is repaired in the whole take.

    It is that of the root, or of the last joint above the hips that has translations of its own in the file.
    """
    settings, raw = state.settings, state.raw
    if state.profile != "suit" or not settings.jitter or settings.joints or settings.ranges_s:
        return state
    chain = raw.skeleton.path_to(state.body.joints.get("hips", 0))
    joint = [one for one in chain if one == 0 or one in raw.translations][-1]
    _, rotations, positions = chain_in_model(raw, joint)
    path = state.root if joint == 0 else positions[:, -1]
    calm = denoise.denoise_vectors(path, raw.rate, denoise.noise_deviation(path))
    weights = weigh_frames(raw, settings, (raw.skeleton.names[joint],))
    if weights is not None:
        calm = path + weights[:, None] * (calm - path)
    if joint == 0:
        return replace(state, root=calm)
    shift = quat.rotate(quat.inv(rotations[:, -2]), calm - path)
    return replace(state, raw=raw.with_translation(joint, raw.translation_of(joint) + shift))


def find_bearing_contacts(state: RepairState) -> RepairState:
    """When feet bear the body; with them the joints that carry the feet are taken apart."""
    if not state.body.feet or len(state.raw) < 3:
        return state
    motion, body, joints = lower_body(state.raw, state.body, state.rotations, state.root)
    contacts = keep_bearing(motion, body, find_contacts(motion, body, state.settings.contacts))
    rests = None
    if state.profile == "suit" and may_rest(contacts):
        whole = lower_body(state.raw, state.body, state.rotations, state.root, HANDS)
        rests = find_rests(*whole[:2], contacts)
    if rests is None and not contacts.planted.any():
        return state
    return replace(state, lower=LowerBody(motion, body, joints, contacts, rests))


def remove_heading_drift(state: RepairState) -> RepairState:
    """The slow turn of the whole take, as standing feet show it; before the path, which it bends."""
    if state.lower is None or state.profile != "suit" or not state.settings.heading:
        return state
    legs, body, contacts = state.lower.motion, state.lower.body, state.lower.contacts
    points = foot_points(legs, body)
    drift = heading_drift(points, contacts.heel & contacts.toe, heading(legs, body), legs.rate)
    if not drift.heading.any():
        return state
    turned, path = remove_drift(legs.rotations[:, 0], legs.root_translation, drift.heading)
    rotations = legs.rotations.copy()
    rotations[:, 0] = turned
    text = (
        f"the heading drifted by {drift.deg_per_min:.1f} degrees a minute "
        f"(known to {drift.error_deg_per_min:.1f}); it no longer does"
    )
    found = Finding("heading_drift", "", 0, len(legs), drift.deg_per_min, "deg/min", True, text)
    return _replace_legs(state, replace(legs, rotations=rotations, root_translation=path), found)


def remove_path_drift(state: RepairState) -> RepairState:
    """What planted feet slide, removed from the whole body's path, and the floor put at height 0."""
    settings = state.settings
    if state.lower is None or state.profile != "suit" or not (settings.path or settings.floor):
        return state
    legs, contacts = state.lower.motion, state.lower.contacts
    planted = np.stack([contacts.heel, contacts.toe], axis=-1)
    points = contacts.over_floor(foot_points(legs, state.lower.body))
    rests = state.lower.rests
    resting = None if rests is None else (rests.points(legs), rests.known)
    drift = path_drift(points, planted, legs.rate, resting=resting, trim=True)
    follows = settings.path and not state.stays_in_place
    if not follows:
        drift[:] = [0.0, 0.0, contacts.floor_m]
    elif state.has_path_from_feet:  # all points of all soles found it: two of them know it no better
        drift[:, :2] = 0.0
    if not settings.floor:
        drift[:, 2] = 0.0
    found = []
    minutes = len(legs) / legs.rate / 60
    slid = 100 * float(np.linalg.norm(drift[-1, :2] - drift[0, :2])) / minutes
    if follows and slid > _MIN_PATH_DRIFT_CM_MIN:
        text = f"the path slid by {slid:.0f} cm a minute under the planted feet; it follows them now"
        found.append(Finding("path_drift", "", 0, len(legs), slid, "cm/min", True, text))
    if settings.floor and contacts.planted.any() and abs(contacts.floor_m) >= _MIN_FLOOR_OFFSET_M:
        offset = 1000 * contacts.floor_m
        text = f"the floor was at {offset:.0f} mm; it is at 0 now"
        found.append(Finding("floor_offset", "", 0, len(legs), offset, "mm", True, text))
    return _replace_legs(state, legs.with_translation(0, legs.root_translation - drift), *found)


def level_floor(state: RepairState) -> RepairState:
    """The floor of a take whose path was measured put at height 0, where it lies steadily off.

    Off by more than the height of soles can be known to, and at one height nearly all the time that a foot is
    planted. No sole that is said to float comes down to height 0.
    """
    if state.lower is None or state.profile == "suit" or not state.settings.floor:
        return state
    legs, contacts = state.lower.motion, state.lower.contacts
    lowest, planted = foot_points(legs, state.lower.body)[..., 2].min(axis=-1), contacts.planted
    if contacts.rise_m is not None or not planted.any():
        return state
    leg = leg_length(legs.skeleton, state.lower.body)
    offset = float(np.median(lowest[planted]))
    on_floor = np.abs(lowest[planted] - offset) < _MAX_FLOOR_SPREAD_LEGS * leg
    if abs(offset) < _MAX_SOLE_ERROR_LEGS * leg or on_floor.mean() < _MIN_ON_FLOOR:
        return state
    if offset > 0 and np.percentile(lowest.min(axis=1), _LOWEST_PERCENT) <= 0:
        return state
    text = f"the floor was at {1000 * offset:.0f} mm; it is at 0 now"
    found = Finding("floor_offset", "", 0, len(legs), 1000 * offset, "mm", True, text)
    lowered = legs.root_translation - np.array([0.0, 0.0, offset])
    return _replace_legs(state, legs.with_translation(0, lowered), found)


def pin_planted_feet(state: RepairState) -> RepairState:
    """Planted feet pinned; last, so that legs need bend only for what is left."""
    settings, lower = state.settings, state.lower
    if lower is None or not (settings.pin and settings.path and settings.floor):
        return state
    if state.profile != "suit" or state.stays_in_place:
        return state
    if settings.profile != "suit" and not _is_raw(state.raw, lower):
        return state
    contacts = _limit_contacts(lower.contacts, state.raw, state.body, settings)
    on_floor = replace(contacts, floor_m=0.0)
    rests = None if lower.rests is None else lower.rests.known.any(axis=1)
    legs, _ = pin.pin_feet(lower.motion, lower.body, on_floor, settings.pinning, rests)
    return _replace_legs(state, legs)


def _replace_legs(state: RepairState, legs: Motion, *found: Finding) -> RepairState:
    assert state.lower is not None
    lower = replace(state.lower, motion=legs, is_changed=True)
    return replace(state, lower=lower, findings=(*state.findings, *found))


def _is_raw(motion: Motion, lower: LowerBody) -> bool:
    """Whether the sensors of the joints that carry the feet show the noise of a suit."""
    joints = [lower.joints[place] for part, place in lower.body.joints.items() if part != "root"]
    noises = [2 * denoise.noise_deviation(motion.rotations[:, joint]) for joint in joints]
    return float(np.median(noises)) > np.radians(_MIN_RAW_NOISE_DEG)


def _limit_contacts(contacts: Contacts, motion: Motion, body: BodyMap, settings: RepairSettings) -> Contacts:
    """The contacts within the limits of a repair: in the ranges; none where a foot is left out."""
    names, inside = motion.skeleton.names, np.ones(contacts.heel.shape, bool)
    for k, foot in enumerate(contacts.feet):
        weights = weigh_frames(motion, settings, _leg_of(motion, body, foot))
        if weights is not None:
            inside[:, k] = weights > 0
    if settings.joints and not {names[body.require(foot)] for foot in contacts.feet} <= set(settings.joints):
        inside[:] = False
    return replace(contacts, heel=contacts.heel & inside, toe=contacts.toe & inside)


def _leg_of(motion: Motion, body: BodyMap, foot: str) -> set[str]:
    """The joints that pinning a foot turns: from below the hips to its toes."""
    skeleton, end = motion.skeleton, body.require(foot)
    above = skeleton.path_to(end)
    hips = body.get("hips")
    leg = above[above.index(hips) + 1 :] if hips in above else above
    return {skeleton.names[joint] for joint in (*leg, *skeleton.subtree(end))}
