"""How deep a character's arms lie in trunk and thighs, as it is seen: skinned vertices and winding numbers.

Sources: glTF 2.0 (Khronos, 2021), section 3.7.3, for the skin; Jacobson, Kavan, Sorkine-Hornung 2013,
"Robust inside-outside segmentation using generalized winding numbers", for meshes with holes and shells in
shells; Van Oosterom and Strackee 1983 for a triangle's solid angle. Nothing of the engine's
capsules is used.
"""

from __future__ import annotations

import numpy as np
from scipy.spatial import cKDTree

from takemill.base.checks import Array, Index, Mask
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.maths import quat
from takemill.shape.skin import Skin

_TRUNK = ("hips", "spine", "chest", "upperChest", "leftUpperLeg", "rightUpperLeg")
_OUTSIDE = 0.5  # of a winding number: below it a point is outside
_STEP_M = 0.001  # off a face, to see on which side of it is outside


def posed(skin: Skin, motion: Motion, frames: Index) -> Array:
    """The vertices (N, V, 3) in some frames."""
    rest_q, rest_p = motion.skeleton.rest_model
    rotations, positions = (part[frames] for part in motion.model())
    out = np.zeros((len(frames), len(skin.points), 3))
    for k in range(skin.joints.shape[1]):
        joint = skin.joints[:, k]
        local = quat.rotate(quat.inv(rest_q[joint]), skin.points - rest_p[joint])
        out += skin.weights[:, k, None] * (positions[:, joint] + quat.rotate(rotations[:, joint], local))
    return out


def winding(points: Array, corners: Array) -> Array:
    """The winding number (N,) of triangles (T, 3, 3) about points (N, 3)."""
    total = np.zeros(len(points))
    for start in range(0, len(points), 200):
        a, b, c = (corners[None, :, k] - points[start : start + 200, None] for k in range(3))
        la, lb, lc = (np.linalg.norm(one, axis=-1) for one in (a, b, c))
        top = np.einsum("nti,nti->nt", a, np.cross(b, c))
        under = (
            la * lb * lc
            + np.einsum("nti,nti->nt", a, b) * lc
            + np.einsum("nti,nti->nt", b, c) * la
            + np.einsum("nti,nti->nt", c, a) * lb
        )
        total[start : start + 200] = 2 * np.arctan2(top, under).sum(axis=1) / (4 * np.pi)
    return total


def _to_triangles(points: Array, corners: Array) -> Array:
    """The distance (N, K) of points (N, 3) from triangles (N, K, 3, 3), by dense sampling."""
    grid = np.array([(i, j, 8 - i - j) for i in range(9) for j in range(9 - i)]) / 8
    places = np.einsum("gk,ntki->ntgi", grid, corners)
    return np.linalg.norm(places - points[:, None, None], axis=-1).min(axis=2)


def depths_mm(
    skin: Skin,
    motion: Motion,
    body: BodyMap,
    frames: Index,
    arms: tuple[str, ...],
    others: tuple[str, ...] = _TRUNK,
) -> Array:
    """By frame (N,), how deep the deepest vertex of some parts of arms lies in others (trunk, thighs), mm."""
    owner = _owners(motion.skeleton.parents, body)
    share = {
        part: (skin.weights * np.isin(skin.joints, [j for j, p in enumerate(owner) if p == part])).sum(axis=1)
        for part in (*others, *arms)
    }
    carried = sum(share[part] for part in others if part in share)
    faces = skin.triangles[(carried[skin.triangles] > 0.5).all(axis=1)]
    mine = np.flatnonzero((sum(share[part] for part in arms) > 0.9) & ~_near_shoulder(skin, motion, body))
    out = np.zeros(len(frames))
    for number, vertices in enumerate(posed(skin, motion, frames)):
        corners, points = vertices[faces], vertices[mine]
        near = (points > corners.min(axis=(0, 1))).all(axis=1) & (points < corners.max(axis=(0, 1))).all(
            axis=1
        )
        points = points[near]
        if not len(points):
            continue
        points = points[winding(points, corners) > _OUTSIDE]
        if not len(points):
            continue
        normals = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
        size = np.linalg.norm(normals, axis=1)
        sound = size > 1e-12
        corners, normals = corners[sound], normals[sound] / size[sound, None]
        middle = corners.mean(axis=1)
        tree = cKDTree(middle)
        nearest = np.unique(tree.query(points, k=min(40, len(middle)))[1])
        shown = winding(middle[nearest] + _STEP_M * normals[nearest], corners) < _OUTSIDE
        outer = corners[nearest[shown]]
        if not len(outer):
            continue
        close = cKDTree(outer.mean(axis=1)).query(points, k=min(12, len(outer)))[1].reshape(len(points), -1)
        out[number] = 1000 * _to_triangles(points, outer[close]).min(axis=1).max()
    return out


def _near_shoulder(skin: Skin, motion: Motion, body: BodyMap) -> Mask:
    """The vertices (V,) of the upper half of upper arms: they lie at the trunk, as arms do."""
    at, out = motion.skeleton.rest_model[1], np.zeros(len(skin.points), bool)
    strongest = skin.joints[np.arange(len(skin.points)), skin.weights.argmax(axis=1)]
    for side in ("left", "right"):
        upper, lower = (body.require(side + part) for part in ("UpperArm", "LowerArm"))
        along = at[lower] - at[upper]
        out |= (strongest == upper) & ((skin.points - at[upper]) @ along < 0.5 * along @ along)
    return out


def gaps_mm(skin: Skin, motion: Motion, other: Motion, body: BodyMap, frames: Index) -> float:
    """How far forearms and hands are from the body, mm: the median of frames in which their arm is turned.

    Turned: otherwise than in `other`, by more than a degree. 0 where none is.
    """
    owner = np.array(_owners(motion.skeleton.parents, body))
    points, joints, weights = skin.filled(0.02)
    fine = Skin(points, joints, weights)
    part = owner[joints[np.arange(len(points)), weights.argmax(axis=1)]]
    at = posed(fine, motion, frames)
    found: list[float] = []
    for side in ("left", "right"):
        upper = body.require(f"{side}UpperArm")
        turned = quat.angle_between(motion.rotations[frames, upper], other.rotations[frames, upper])
        arm, rest = np.isin(part, [f"{side}LowerArm", f"{side}Hand"]), np.isin(part, [*_TRUNK, "head"])
        found += [
            float(cKDTree(at[k][rest]).query(at[k][arm])[0].min())
            for k in np.flatnonzero(turned > np.radians(1.0))
        ]
    return 1000 * float(np.median(found)) if found else 0.0


def _owners(parents: tuple[int, ...], body: BodyMap) -> list[str]:
    """The part that each joint belongs to; "" for none. Tails and props are none."""
    found: list[str] = []
    for joint, parent in enumerate(parents):
        part = body.part_of(joint)
        if part is None:
            part = found[parent] if parent >= 0 else ""
        found.append("" if part.startswith(("tail", "prop")) else part)
    return found
