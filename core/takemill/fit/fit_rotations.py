"""Rotations and the path of a fit: bones point where the performer's point, in the same model space."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.rest_frames import matched_frames
from ..body.skeleton import Skeleton
from ..feet.soles import sole_offsets
from ..maths import quat
from .fit_scale import Scale

_TRUNK = ("spine", "chest", "upperChest")
_NECK = ("neck", "head")
_HIP_JOINTS = tuple(f"{side}UpperLeg" for side in SIDES)


def fit_rotations(
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
