"""The same motion on another body (retarget)."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, expect_positive
from ..base.errors import InputError
from ..body.body_map import BodyMap, leg_length, rest_facing
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts, find_contacts
from ..feet.soles import sole_offsets
from ..maths import quat
from ..maths.easing import smoothstep
from .fit_feet import Scale, plant_feet

_TRUNK = ("spine", "chest", "upperChest")
_NECK = ("neck", "head")
# The axes of a body at rest: Blender's, with the front at -Y.
_FRONT, _UP = np.array([0.0, -1.0, 0.0]), np.array([0.0, 0.0, 1.0])
_HIP_JOINTS = tuple(f"{side}UpperLeg" for side in SIDES)


@dataclass(frozen=True)
class FitSettings:
    """How a motion is carried over.

    Attributes:
        path_scale: target metres per source metre along the floor; None takes the ratio of leg lengths,
            with which feet that stood keep standing.
        floor_m: height of the floor that the performer stands on; the target's floor is at 0.
        arm_clearance_deg: hanging arms are held out this much further, for a body broader than the
            performer's; it fades as an arm is raised to the shoulder.
        plant_feet: bend the target's legs so that planted feet stand, not only point, as the performer's.
    """

    path_scale: float | None = None
    floor_m: float = 0.0
    arm_clearance_deg: float = 0.0
    plant_feet: bool = True


def fit(
    motion: Motion,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    settings: FitSettings = FitSettings(),
    contacts: Contacts | None = None,
) -> Motion:
    """The motion on `target`: bones point where the performer's point, in the same model space.

    Parts that both bodies have take the source's turn through frames that mean the same on both (see
    rest_frames). The turn from hips to chest and from chest to head is spread over the target's joints
    between them, however many either has. Parts and joints that only the target has keep their rest; so
    does a root above the hips, unless the source has one too. The middle of the hip joints takes the
    source's path, scaled; its height is scaled above the standing ankles', so that soles keep to the floor.
    Where `contacts` (found on the source when None) say that a foot is planted, it stands (see fit_feet).

    Returns:
        F frames at the same rate; only the hips (and a root that both have) move apart from their parent.

    Raises:
        BodyMapError: hips or a leg joint are not mapped.
        InputError: a body map names joints that its skeleton lacks, a scale is not above 0, or contacts have
            another number of frames.
    """
    for skeleton, parts, name in ((motion.skeleton, body, "source"), (target, target_body, "target")):
        if max(parts.joints.values(), default=0) >= len(skeleton):
            raise InputError(
                f"fit: the {name}'s body map names joint {max(parts.joints.values())} of {len(skeleton)}"
            )
    if settings.path_scale is not None:
        expect_positive(settings.path_scale, "fit path_scale")
    if not abs(settings.arm_clearance_deg) <= 90:
        raise InputError(f"fit arm_clearance_deg: expected -90 to 90, got {settings.arm_clearance_deg}")
    ratio = leg_length(target, target_body) / leg_length(motion.skeleton, body)
    scale = Scale(settings.path_scale or ratio, ratio, settings.floor_m)
    fitted = _fit_rotations(motion, body, target, target_body, scale)
    if settings.arm_clearance_deg:
        fitted = _clear_arms(fitted, target_body, np.radians(settings.arm_clearance_deg))
    if not settings.plant_feet:
        return fitted
    contacts = contacts or find_contacts(motion, body)
    if len(contacts.heel) != len(motion):
        raise InputError(f"fit: contacts of {len(contacts.heel)} frames for a motion of {len(motion)}")
    return plant_feet(motion, body, contacts, fitted, target_body, scale)


def _clear_arms(motion: Motion, body: BodyMap, clearance: float) -> Motion:
    """Arms turned away from the body about the chest's front, by `clearance` (radians) when they hang."""
    chest = next(j for part in ("upperChest", "chest", "spine", "hips") if (j := body.get(part)) is not None)
    skeleton, rotations = motion.skeleton, motion.rotations.copy()
    turned, _ = joint_in_model(motion, chest)
    front, up = (
        quat.rotate(quat.mul(turned, quat.inv(skeleton.reference_model[0][chest])), axis)
        for axis in (quat.rotate(quat.from_yaw(rest_facing(skeleton, body)), _FRONT), _UP)
    )
    for side, sign in zip(SIDES, (1.0, -1.0), strict=True):
        upper, lower = body.get(f"{side}UpperArm"), body.get(f"{side}LowerArm")
        if upper is None or lower is None or skeleton.parents[upper] < 0:
            continue
        bone = joint_in_model(motion, lower)[1] - joint_in_model(motion, upper)[1]
        hangs = np.clip(-np.einsum("fi,fi->f", bone, up) / np.linalg.norm(bone, axis=-1), 0.0, 1.0)
        above = joint_in_model(motion, skeleton.parents[upper])[0]
        axis = quat.rotate(quat.inv(above), front)
        turn = quat.from_axis_angle(axis, sign * clearance * smoothstep(hangs))
        rotations[:, upper] = quat.mul(turn, rotations[:, upper])
    return motion.with_rotations(rotations)


def _fit_rotations(
    motion: Motion, body: BodyMap, target: Skeleton, target_body: BodyMap, scale: Scale
) -> Motion:
    """The fit by rotations and the scaled path."""
    source_q, source_p = motion.model()
    model = _target_rotations(motion.skeleton, body, source_q, target, target_body)
    middle = source_p[:, [body.require(part) for part in _HIP_JOINTS]].mean(axis=1)
    middle = scale.apply(middle - [0.0, 0.0, _ankle_height(motion.skeleton, body)])
    middle[:, 2] += _ankle_height(target, target_body)
    hips = target_body.require("hips")
    at = target.reference_model[1]
    offset = at[[target_body.require(part) for part in _HIP_JOINTS]].mean(axis=0) - at[hips]
    offsets = quat.rotate(model[hips], quat.rotate(quat.inv(target.reference_model[0][hips]), offset))
    tracks = {hips: middle - offsets}
    roots = body.get("root"), target_body.get("root")
    if roots[0] is not None and roots[1] is not None:
        tracks[roots[1]] = scale.apply(source_p[:, roots[0]])
    return _pose_target(target, motion.rate, model, tracks)


def _pose_target(target: Skeleton, rate: float, model: dict[int, Array], tracks: dict[int, Array]) -> Motion:
    """A motion from model rotations (F, 4) and positions (F, 3) of some joints; others keep their rest."""
    frames = len(next(iter(tracks.values())))
    rotations = np.broadcast_to(target.rest_rotation, (frames, len(target), 4)).copy()
    translations: dict[int, Array] = {}
    at: dict[int, Array] = {-1: np.zeros((1, 3))}
    turned: dict[int, Array] = {-1: quat.IDENTITY[None]}
    for joint in sorted({above for end in (*model, *tracks) for above in target.path_to(end)}):
        parent = target.parents[joint]
        if joint in model:
            rotations[:, joint] = quat.mul(quat.inv(turned[parent]), model[joint])
        turned[joint] = model[joint] if joint in model else quat.mul(turned[parent], rotations[:, joint])
        if joint in tracks:
            translations[joint] = quat.rotate(quat.inv(turned[parent]), tracks[joint] - at[parent])
            at[joint] = tracks[joint]
        elif parent in at and joint < max(tracks):
            at[joint] = at[parent] + quat.rotate(turned[parent], target.rest_translation[joint])
    root = translations.pop(0, np.broadcast_to(target.rest_translation[0], (frames, 3)))
    return Motion(target, rate, rotations, root, translations)


def _target_rotations(
    source: Skeleton, body: BodyMap, source_q: Array, target: Skeleton, target_body: BodyMap
) -> dict[int, Array]:
    """Target joint -> its rotation (F, 4) in model space, for every joint that the source has a part for."""
    frames = matched_frames(source, body, target, target_body)
    # What turns a joint's frame into the frame of its part, and back on the target.
    to_part, from_part = quat.inv(source.reference_model[0]), target.reference_model[0]
    model: dict[int, Array] = {}
    for part, (here, there) in frames.items():
        joint, end = body.get(part), target_body.get(part)
        if joint is not None and end is not None:
            turn = quat.mul(quat.mul(to_part[joint], here), quat.mul(quat.inv(there), from_part[end]))
            model[end] = quat.mul(source_q[:, joint], turn)
    here, there = frames["hips"]
    for ours, theirs in zip(_sections(body), _sections(target_body), strict=True):
        if len(ours) < 2 or len(theirs) < 2:
            continue
        joints, places = _column(source, ours, len(ours) == len(theirs))
        ends, wanted = _column(target, theirs, len(ours) == len(theirs))
        for end, place in zip(ends[1:], wanted[1:], strict=True):
            low = min(int(np.searchsorted(places, place, side="right")) - 1, len(places) - 2)
            part = (place - places[low]) / (places[low + 1] - places[low])
            a, b = (quat.mul(source_q[:, j], quat.mul(to_part[j], here)) for j in joints[low : low + 2])
            model[end] = quat.mul(quat.slerp(a, b, part), quat.mul(quat.inv(there), from_part[end]))
    return model


def _sections(body: BodyMap) -> tuple[tuple[int, ...], ...]:
    """The mapped joints of trunk, neck and tail, each from the joint that carries it."""
    hips = body.require("hips")
    trunk, neck = ([j for part in parts if (j := body.get(part)) is not None] for parts in (_TRUNK, _NECK))
    return (hips, *trunk), ((trunk or [hips])[-1], *neck), (hips, *body.chain("tail"))


def _column(skeleton: Skeleton, mapped: Sequence[int], one_to_one: bool) -> tuple[tuple[int, ...], Array]:
    """All joints (N,) from the first to the last mapped one, and how far along the column each lies (N,).

    The mapped joints lie at 0, 1, 2 ... when two columns match one to one, else the last lies at 1; between
    them the length along the joints counts.
    """
    path = skeleton.path_to(mapped[-1])
    joints = path[path.index(mapped[0]) :] if set(mapped) <= set(path) else tuple(mapped)
    at = skeleton.reference_model[1][list(joints)]
    steps = np.linalg.norm(np.diff(at, axis=0), axis=-1)
    along = np.concatenate([[0.0], np.cumsum(np.maximum(steps, 1e-6 * skeleton.height))])
    fixed = [joints.index(j) for j in mapped] if one_to_one else [0, len(joints) - 1]
    return joints, np.interp(along, along[fixed], np.arange(len(fixed)))


def _ankle_height(skeleton: Skeleton, body: BodyMap) -> float:
    """Height of the ankles over the soles when the feet stand flat, metres, the mean of both."""
    rotations = skeleton.reference_model[0][[body.require(part) for part in body.feet]]
    return float(-quat.rotate(rotations[:, None], sole_offsets(skeleton, body))[..., 2].mean())
