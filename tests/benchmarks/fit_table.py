"""What fitting does to real motion, per motion and character: `python tests/benchmarks/fit_table.py`.

| column | what |
|---|---|
| bone, leg | largest angle between the source's and the target's bone, arms and legs: degrees |
| slide | how far heel or ball drift while planted and low, less the source's own drift, scaled: largest, mm |
| under | deepest point of a sole below the floor, and the source's own, scaled: mm |
| knee | smallest bend of a knee about its hinge; below 0 it bends the wrong way: degrees |
| ms | time of `fit` per 1000 frames |

Each is given without and with `plant_feet`. Sources: see tests/open_data.py.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import open_data
from fit_bodies import BROAD, TOON, Build, body
from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap, find_body_map, leg_length, rest_facing
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.soles import foot_points
from takemill.fit.fit import FitSettings, fit
from takemill.maths import quat
from takemill.maths.series import runs

Character = tuple[str, Skeleton, BodyMap]


def characters() -> Iterator[Character]:
    yield "same build", *body(Build(arms_down_deg=90.0))
    yield "short toon", *body(TOON)
    yield "broad", *body(BROAD)
    yield "tailed", *body(Build(tail=4, thigh=0.38, shin=0.45, foot=0.2, root=True, roll_seed=7))


def takes() -> Iterator[tuple[str, Motion]]:
    for name in ("walk", "run", "punch", "kick", "spinkick", "jump"):
        motion, wraps = open_data.humanoid3d(name)
        yield name, level(open_data.repeated(motion, 3) if wraps else motion)


def level(motion: Motion) -> Motion:
    """The motion with its floor at 0."""
    floor = find_contacts(motion, find_body_map(motion.skeleton)).floor_m
    return motion.with_translation(0, motion.root_translation - [0, 0, floor])


def bone_errors(source: Motion, body: BodyMap, fitted: Motion, target: BodyMap) -> tuple[float, float]:
    """The largest angle (degrees) between bones of the arms, and of the legs."""
    worst = []
    for parts in (("UpperArm", "LowerArm", "Hand"), ("UpperLeg", "LowerLeg", "Foot")):
        angles = [0.0]
        for side in ("left", "right"):
            for start, end in itertools.pairwise(parts):
                bones = [
                    at[:, b.require(side + end)] - at[:, b.require(side + start)]
                    for at, b in ((source.model()[1], body), (fitted.model()[1], target))
                ]
                angles.append(float(np.degrees(quat.angle(quat.between(*bones)).max())))
        worst.append(max(angles))
    return worst[0], worst[1]


def drift(points: Array, carries: Mask) -> Array:
    """(C,) how far each heel or ball strays from its mean place along the floor while it carries, metres."""
    out = [0.0]
    for foot, end in np.ndindex(*carries.shape[1:]):
        for start, stop in zip(*runs(carries[:, foot, end]), strict=True):
            place = points[start:stop, foot, end, :2]
            out.append(float(np.linalg.norm(place - place.mean(axis=0), axis=-1).max()))
    return np.array(out)


def carrying(points: Array, contacts: Contacts) -> Mask:
    """Planted, and not the higher end of a pitched foot (F, K, 2): that one swings with the foot's length."""
    higher = points[..., 2] - points[:, :, ::-1, 2]
    length = np.linalg.norm(points[:, :, 1] - points[:, :, 0], axis=-1)
    return np.stack([contacts.heel, contacts.toe], axis=-1) & (higher < 0.1 * length[..., None])


def knee_bend(motion: Motion, body: BodyMap) -> float:
    """The smallest bend of a knee about the thigh's side axis, degrees."""
    turned, at = motion.model()
    rest = motion.skeleton.rest_model[0]
    axis = quat.rotate(quat.from_yaw(rest_facing(motion.skeleton, body)), np.array([1.0, 0.0, 0.0]))
    low = np.inf
    for side in ("left", "right"):
        hip, knee, foot = (body.require(side + p) for p in ("UpperLeg", "LowerLeg", "Foot"))
        hinge = quat.rotate(quat.mul(turned[:, hip], quat.inv(rest[hip])), axis)
        thigh, shin = at[:, knee] - at[:, hip], at[:, foot] - at[:, knee]
        sine = np.einsum("fi,fi->f", np.cross(thigh, shin), hinge)
        low = min(low, float(np.degrees(np.arctan2(sine, np.einsum("fi,fi->f", thigh, shin))).min()))
    return low


def measure(source: Motion, target: Skeleton, parts: BodyMap, settings: FitSettings) -> dict[str, float]:
    own = find_body_map(source.skeleton)
    start = time.perf_counter()
    fitted = fit(source, own, target, parts, settings)
    spent = time.perf_counter() - start
    contacts = find_contacts(source, own)
    scale = leg_length(target, parts) / leg_length(source.skeleton, own)
    theirs, ours = foot_points(source, own) * scale, foot_points(fitted, parts)
    carries = carrying(theirs, contacts)
    arm, leg = bone_errors(source, own, fitted, parts)
    return {
        "arm": arm,
        "leg": leg,
        "slide": 1000 * float((drift(ours, carries) - drift(theirs, carries)).max()),
        "under": -1000 * float(min(ours[..., 2].min(), 0.0)),
        "theirs": -1000 * float(min(theirs[..., 2].min(), 0.0)),
        "knee": knee_bend(fitted, parts),
        "ms": 1e6 * spent / len(source),
    }


def main() -> None:
    names = ("arm", "leg", "slide", "under", "theirs", "knee", "ms")
    print(f"{'motion':10} {'character':12} {'feet':7}" + "".join(f"{name:>8}" for name in names))
    for motion_name, motion in takes():
        for name, skeleton, parts in characters():
            for planted in (False, True):
                row = measure(motion, skeleton, parts, replace(FitSettings(), plant_feet=planted))
                label = "planted" if planted else "free"
                print(f"{motion_name:10} {name:12} {label:7}" + "".join(f"{row[key]:8.1f}" for key in names))


if __name__ == "__main__":
    main()
