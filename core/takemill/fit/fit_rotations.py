"""Rotations and the path of a fit: bones point where the performer's point, in the same model space."""

from __future__ import annotations

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..feet.soles import sole_offsets
from ..maths import quat
from .fit_columns import fit_columns
from .fit_scale import Scale
from .rest_match import RestMatch, match_rests

_HIP_JOINTS = tuple(f"{side}UpperLeg" for side in SIDES)


def fit_rotations(
    motion: Motion, body: BodyMap, target: Skeleton, target_body: BodyMap, scale: Scale, posture: str = "keep"
) -> Motion:
    """The fit by rotations and the scaled path, with the character's posture or the performer's."""
    source_q, source_p = motion.model()
    rests = match_rests(motion.skeleton, body, target, target_body, posture)
    model = _target_rotations(motion.skeleton, body, source_q, target, target_body, rests)
    model |= fit_columns(motion.skeleton, body, (source_q, source_p), target, target_body, rests)
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
    source: Skeleton, body: BodyMap, source_q: Array, target: Skeleton, target_body: BodyMap, rests: RestMatch
) -> dict[int, Array]:
    """Target joint -> its rotation (F, 4) in model space, for every joint that the source has a part for."""
    # What turns a joint's frame into the frame of its part, and back on the target.
    to_part, from_part = quat.inv(source.reference_model[0]), target.reference_model[0]
    model: dict[int, Array] = {}
    for part, (here, there) in rests.frames.items():
        joint, end = body.get(part), target_body.get(part)
        if joint is not None and end is not None:
            turn = quat.mul(quat.mul(to_part[joint], here), quat.mul(quat.inv(there), from_part[end]))
            model[end] = quat.mul(source_q[:, joint], turn)
    return model


def _ankle_height(skeleton: Skeleton, body: BodyMap) -> float:
    """Height of the ankles over the soles when the feet stand flat, metres, the mean of both."""
    rotations = skeleton.reference_model[0][[body.require(part) for part in body.feet]]
    return float(-quat.rotate(rotations[:, None], sole_offsets(skeleton, body))[..., 2].mean())
