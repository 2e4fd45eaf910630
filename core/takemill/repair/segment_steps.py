"""The step of the repair that concerns single sensors for long: in the world each fault stands alone."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..health.segment_findings import between_finding, segment_findings, unknown_finding
from ..maths import quat
from ..sensors.pose_pairs import NO_POSES, find_end_poses
from ..sensors.segment_faults import SegmentRepair, repair_segments
from ..sensors.segments import find_segments, local_from_world, world_from_local
from .settings import weigh_frames
from .state import RepairState


def repair_segment_faults(state: RepairState) -> RepairState:
    """Dropouts bridged, late sensors shifted, slips and the slow turns of single sensors taken out.

    Before noise and spikes, whose repair would smear the steps of these faults over their neighbours. Late,
    slipped and turning sensors are the whole take's, also where the repair is limited to stretches.

    By itself in a suit's take alone: in others they are reported and left, whether the profile was found or
    said, unless poses are named, or asked for, that show what happened between them.
    """
    raw, settings, names = state.raw, state.settings, state.raw.skeleton.names
    wanted = SegmentRepair(
        settings.dropouts,
        settings.late_sensors,
        settings.slips,
        settings.sensor_heading,
        settings.longest_dropout_s,
        settings.longest_bridge_s,
    )
    segments = find_segments(raw.skeleton, state.body)
    on = wanted.dropouts or wanted.lags or wanted.slips or wanted.drift
    if not on:
        return state
    poses = NO_POSES
    if settings.calibration or settings.same_pose_s:
        poses = find_end_poses(raw, state.body, segments, settings.same_pose_s)
    weights = weigh_frames(raw, settings)
    world = quat.continuous(world_from_local(raw.skeleton, segments, state.rotations))
    rest = raw.skeleton.reference_model[0][segments.joints]
    inside = None if weights is None else weights > 0
    turned, faults = repair_segments(world, segments, rest, raw.rate, wanted, poses, inside)
    if state.profile != "suit" and poses == NO_POSES:
        why = f"the take counts as {state.profile}: left as it is (profile of [repair])"
        left = segment_findings(raw, faults, False, settings.joints, why)
        return replace(state, findings=(*state.findings, *left))
    changed = faults.changed
    if settings.joints:
        changed &= np.array([names[joint] in settings.joints for joint in segments.joints])
        turned = np.where(changed[:, None], turned, world)
    for k, joint in enumerate(segments.joints):
        keep = weigh_frames(raw, replace(settings, ranges_s=()), (names[joint],))
        if keep is not None and changed[k]:
            turned[:, k] = quat.slerp(world[:, k], turned[:, k], keep)
    rotations = state.rotations
    if changed.any():
        rotations = local_from_world(raw.skeleton, segments, state.rotations, turned, changed)
    found = segment_findings(raw, faults, True, settings.joints)
    if not found and not changed.any() and poses == NO_POSES:
        return state
    about = unknown_finding(raw, faults, settings.joints), between_finding(raw, faults, poses)
    found += [one for one in about if one is not None]
    return replace(state, rotations=rotations, findings=(*state.findings, *found))
