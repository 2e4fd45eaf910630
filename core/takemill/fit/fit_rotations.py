"""Rotations and the path of a fit: bones point where the performer's point, in the same model space."""

from __future__ import annotations

from collections.abc import Container

import numpy as np

from ..base.checks import Array
from ..body.body_map import BodyMap
from ..body.body_parts import SIDES
from ..body.motion import Motion
from ..body.posed import Posed
from ..body.skeleton import Skeleton
from ..feet.soles import sole_offsets
from ..maths import quat
from ..shape.scale import Scale
from .fingers import fit_fingers
from .fit_columns import fit_columns
from .rest_match import RestMatch, match_rests

_HIP_JOINTS = tuple(f"{side}UpperLeg" for side in SIDES)


def fit_rotations(
    source: Posed, body: BodyMap, target: Skeleton, target_body: BodyMap, scale: Scale, posture: str = "keep"
) -> Motion:
    """The fit by rotations and the scaled path, with the character's posture or the performer's."""
    skeleton = source.motion.skeleton
    rests = match_rests(skeleton, body, target, target_body, posture)
    several = fit_columns(source, body, target, target_body, rests)
    several |= fit_fingers(source, body, target, target_body, rests)
    model = _target_rotations(source, body, target, target_body, rests, several) | several
    middle = np.mean([source.at(body.require(part))[1] for part in _HIP_JOINTS], axis=0)
    middle = scale.apply(middle - [0.0, 0.0, ankle_height(skeleton, body)])
    middle[:, 2] += ankle_height(target, target_body)
    hips = target_body.require("hips")
    at = target.reference_model[1]
    offset = at[[target_body.require(part) for part in _HIP_JOINTS]].mean(axis=0) - at[hips]
    offsets = quat.rotate(model[hips], quat.rotate(quat.inv(target.reference_model[0][hips]), offset))
    tracks = {hips: middle - offsets}
    roots = body.get("root"), target_body.get("root")
    if roots[0] is not None and roots[1] is not None:
        tracks[roots[1]] = scale.apply(source.at(roots[0])[1])
    return _pose_target(target, source.motion.rate, model, tracks)


def _pose_target(target: Skeleton, rate: float, model: dict[int, Array], tracks: dict[int, Array]) -> Motion:
    """A motion from model rotations (F, 4) and positions (F, 3) of some joints; others keep their rest."""
    frames = len(next(iter(tracks.values())))
    rotations: dict[int, Array] = {}
    translations: dict[int, Array] = {}
    at: dict[int, Array] = {-1: np.zeros((1, 3))}
    turned: dict[int, Array] = {-1: quat.IDENTITY[None]}
    for joint in sorted({above for end in (*model, *tracks) for above in target.path_to(end)}):
        parent = target.parents[joint]
        if joint in model:
            turned[joint] = model[joint]
            rotations[joint] = quat.mul(quat.inv(turned[parent]), model[joint])
        else:
            turned[joint] = quat.mul(turned[parent], target.rest_rotation[joint])
        if joint in tracks:
            translations[joint] = quat.rotate(quat.inv(turned[parent]), tracks[joint] - at[parent])
            at[joint] = tracks[joint]
        elif parent in at and joint < max(tracks):
            at[joint] = at[parent] + quat.rotate(turned[parent], target.rest_translation[joint])
    rest = np.broadcast_to(target.rest_rotation, (frames, len(target), 4))
    root = translations.pop(0, np.broadcast_to(target.rest_translation[0], (frames, 3)))
    return Motion.trusted(target, rate, rest, root, translations).with_joints(rotations)


def _target_rotations(
    source: Posed,
    body: BodyMap,
    target: Skeleton,
    target_body: BodyMap,
    rests: RestMatch,
    known: Container[int],
) -> dict[int, Array]:
    """Target joint -> its rotation (F, 4) in model space, for joints with a part that the source has, too."""
    # What turns a joint's frame into the frame of its part, and back on the target.
    to_part, from_part = quat.inv(source.motion.skeleton.reference_model[0]), target.reference_model[0]
    model: dict[int, Array] = {}
    for part, (here, there) in rests.frames.items():
        joint, end = body.get(part), target_body.get(part)
        if joint is not None and end is not None and end not in known:
            turn = quat.mul(quat.mul(to_part[joint], here), quat.mul(quat.inv(there), from_part[end]))
            model[end] = quat.mul(source.at(joint)[0], turn)
    return model


def ankle_height(skeleton: Skeleton, body: BodyMap) -> float:
    """Height of the ankles over the soles when the feet stand flat, metres, the mean of both."""
    rotations = skeleton.reference_model[0][[body.require(part) for part in body.feet]]
    return float(-quat.rotate(rotations[:, None], sole_offsets(skeleton, body))[..., 2].mean())
