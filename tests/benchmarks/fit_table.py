"""What fitting does to real motion: `python tests/benchmarks/fit_table.py`.

With names it answers only those questions. `motions`: per motion and character, without and with `plant_feet`. Sources: see tests/open_data.py.

| column | what |
|---|---|
| arm, leg | largest angle between the source's and the target's bone: degrees |
| slide | how far heel or ball drift while planted and low, less the source's own drift, scaled: largest, mm |
| faster | by how much the stillest point of a planted sole goes faster than the performer's, scaled: worst step, cm/s |
| under | deepest point of a sole below the floor, and the source's own, scaled: mm |
| knee | smallest bend of a knee about its hinge; below 0 it bends the wrong way: degrees |
| peak | largest angular acceleration of a joint of the legs over the same joint's of the source: the worst joint |
| any | the largest of all these joints over the largest of the source's |

`rests`: one's own skeleton in another rest, each posture: how far any joint is off, mm (tests/rest_bodies.py).
`rigs`: a walk on Blender's bundled metarigs, as they come and changed, and on all bones of VRM 1.0
(tests/rig_variants.py): parts that are found, the columns above; takes of hands on the same rigs in a mesh: the
worst contact's distance from its proportional target, and the deepest vertex of an arm before and after: mm.
`spines`: the performer's spine with one to six bones: how far the head is off, mm.
`speed`: a fit of 72,000 frames with its contacts known and no goals over forward kinematics of the take and of the
fitted motion in the same run, and the same of a quarter of it: processor time, the best of five.
"""

from __future__ import annotations

import itertools
import sys
import time
from collections.abc import Iterator, Mapping
from dataclasses import astuple
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import hand_takes
import open_data
from fit_bodies import BROAD, TOON, Build, body
from hand_measures import off_m
from rest_bodies import RESTS, in_rest, with_spine
from rig_variants import CHANGES, METARIGS, metarig, vrm_body
from skinned_bodies import Girth, clothed
from skinned_depth import depths_mm
from sliding import stillest_m_s
from takemill.base.checks import Array, Mask
from takemill.body.body_map import BodyMap, find_body_map, leg_length, rest_facing
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.soles import foot_points
from takemill.files.bvh import read_bvh
from takemill.fit.fit import FitSettings, fit
from takemill.fit.rest_match import POSTURES
from takemill.maths import quat
from takemill.maths.series import runs
from takemill.repair.repair import repair
from takemill.shape.body_shape import body_shape

Character = tuple[str, Skeleton, BodyMap]
SAMPLES = Path(__file__).parents[2] / "sample_blends"
ARMS = tuple(side + part for side in ("left", "right") for part in ("LowerArm", "Hand"))
LEGS = [side + part for side in ("left", "right") for part in ("UpperLeg", "LowerLeg", "Foot")]


def characters() -> Iterator[Character]:
    yield "same build", *body(Build(arms_down_deg=90.0))
    yield "short toon", *body(TOON)
    yield "broad", *body(BROAD)
    yield "long legs", *body(Build(thigh=0.55, shin=0.53, back=0.45, roll_seed=3))
    yield "wide", *body(Build(hip_width=0.34))
    yield "tailed", *body(Build(tail=4, thigh=0.38, shin=0.45, foot=0.2, root=True, roll_seed=7))


def takes() -> Iterator[tuple[str, Motion]]:
    for name in ("walk", "run", "punch", "kick", "spinkick", "jump", "dance_a", "dance_b", "roll"):
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


def faster_m_s(theirs: Array, ours: Array, contacts: Contacts, scale: float) -> float:
    """How much faster planted feet slide than the performer's in the worst step, by what touches within 5 mm."""
    speeds = [stillest_m_s(points, contacts.rate, 0.005 * scale) for points in (theirs, ours)]
    stands = contacts.planted[1:] & contacts.planted[:-1]
    return float((speeds[1] - speeds[0])[stands].max())


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
    fitted = fit(source, own, target, parts, settings)
    contacts = find_contacts(source, own)
    scale = leg_length(target, parts) / leg_length(source.skeleton, own)
    theirs, ours = foot_points(source, own) * scale, foot_points(fitted, parts)
    carries = carrying(theirs, contacts)
    arm, leg = bone_errors(source, own, fitted, parts)
    return {
        "arm": arm,
        "leg": leg,
        "slide": 1000 * float((drift(ours, carries) - drift(theirs, carries)).max()),
        "faster": 100 * faster_m_s(theirs, ours, contacts, scale),
        "under": -1000 * float(min(ours[..., 2].min(), 0.0)),
        "theirs": -1000 * float(min(theirs[..., 2].min(), 0.0)),
        "knee": knee_bend(fitted, parts),
        **peaks(source, own, fitted, parts),
    }


def peaks(source: Motion, own: BodyMap, fitted: Motion, parts: BodyMap) -> dict[str, float]:
    """The largest angular acceleration of leg joints over the source's: of the worst joint, and of all."""
    found = []
    for motion, body_map in ((source, own), (fitted, parts)):
        turns = motion.rotations[:, [body_map.require(part) for part in LEGS]]
        speed = quat.log(quat.mul(quat.inv(turns[:-1]), turns[1:])) * motion.rate
        found.append(quat.length(np.diff(speed, axis=0)).max(axis=0))
    return {"peak": float((found[1] / found[0]).max()), "any": float(found[1].max() / found[0].max())}


def print_motions() -> None:
    names = ("arm", "leg", "slide", "faster", "under", "theirs", "knee", "peak", "any")
    print(f"{'motion':10} {'character':12} {'feet':7}" + "".join(f"{name:>8}" for name in names))
    for motion_name, motion in takes():
        for name, skeleton, parts in characters():
            for planted in (False, True):
                settings = FitSettings(plant_feet=planted, goals=())
                row = measure(motion, skeleton, parts, settings)
                label = "planted" if planted else "free"
                print(f"{motion_name:10} {name:12} {label:7}" + "".join(f"{row[key]:8.2f}" for key in names))


def performers() -> Iterator[tuple[str, Motion, BodyMap]]:
    for name in (0, 1):
        motion = open_data.cmu(name)
        yield f"cmu {name}", motion, find_body_map(motion.skeleton)
    take = read_bvh(SAMPLES / "marsh_take.bvh")[0]
    parts = find_body_map(take.skeleton)
    yield "marsh", repair(take, parts)[0].resampled(30.0), parts


def print_rests() -> None:
    print(f"{'performer':10} {'rest':10} {'keep':>8} {'match':>8}")
    for name, motion, parts in performers():
        for rest, turns in RESTS.items():
            skeleton = in_rest(motion.skeleton, parts, turns)
            away = [
                fit(motion, parts, skeleton, parts, FitSettings(posture=posture, goals=())).model()[1]
                - motion.model()[1]
                for posture in POSTURES
            ]
            print(f"{name:10} {rest:10}" + "".join(f"{1000 * quat.length(a).max():9.3f}" for a in away))


def print_spines() -> None:
    print(f"{'performer':10} {'bones':>6} {'keep':>8} {'match':>8}")
    for name, motion, parts in performers():
        for bones in range(1, 7):
            skeleton, other = with_spine(motion.skeleton, parts, bones)
            away = []
            for posture in POSTURES:
                settings = FitSettings(posture=posture, plant_feet=False, goals=())
                head = fit(motion, parts, skeleton, other, settings).model()[1][:, other.require("head")]
                away.append(quat.length(head - motion.model()[1][:, parts.require("head")]).max())
            print(f"{name:10} {bones:6}" + "".join(f"{1000 * a:9.1f}" for a in away))


def rigs() -> Iterator[tuple[str, Skeleton, Mapping[str, str]]]:
    """Rigs, and the bone of each of their parts."""
    sys.path.insert(0, str(SAMPLES.parent / "blender_addon"))
    import bpy  # noqa: F401  (it brings what the next line imports)

    from control_rigs import generator

    with generator():
        for kind, change in itertools.product(METARIGS, CHANGES):
            yield f"{kind}, {change}", *metarig(kind, change)
    skeleton, truth = vrm_body()
    yield "VRM 1.0", skeleton, truth.names(skeleton)


def print_rigs() -> None:
    names = ("arm", "leg", "slide", "under", "theirs", "knee", "peak", "any")
    walk = dict(takes())["walk"]
    print(f"{'rig':27} {'parts':>9}" + "".join(f"{name:>8}" for name in names) + f"{'off':>7}{'arms':>14}")
    for name, skeleton, truth in rigs():
        parts = find_body_map(skeleton)
        right = sum(parts.names(skeleton).get(part) == bone for part, bone in truth.items())
        row = measure(walk, skeleton, parts, FitSettings(goals=()))
        off, deep = hands(skeleton, parts)
        cells = "".join(f"{row[key]:8.2f}" for key in names)
        print(f"{name:27} {right:3} of {len(truth):2}{cells}{off:7.2f}{deep[0]:6.1f} -> {deep[1]:4.1f}")


def hands(skeleton: Skeleton, parts: BodyMap) -> tuple[float, list[float]]:
    """How far contacts are off in takes of hands, and how deep arms lie before and after, mm."""
    size = leg_length(skeleton, parts) / leg_length(*body(Build()))
    skin = clothed(skeleton, parts, Girth(*(size * one for one in astuple(Girth()))), 0.17 * size)
    shape, off, deep = body_shape(skeleton, parts, skin), 0.0, [0.0, 0.0]
    for name in ("clap", "hilt", "hips", "knees", "floor"):
        take = hand_takes.TAKES[name](30.0)
        given, frames = (take.motion, take.body, skeleton, parts), np.arange(0, len(take.motion), 10)
        bare = fit(*given)
        shapes = body_shape(take.motion.skeleton, take.body), body_shape(skeleton, parts)
        off = max(off, *(1000 * off_m(take, one, bare, parts, shapes) for one in take.relations))
        for k, clear in enumerate((False, True)):
            fitted = fit(*given, FitSettings(clear_arms=clear), shape=shape)
            deep[k] = max(deep[k], float(depths_mm(skin, fitted, parts, frames, ARMS).max()))
    return off, deep


def print_speed() -> None:
    walk, _ = open_data.humanoid3d("walk")
    own = find_body_map(walk.skeleton)
    whole = open_data.repeated(walk, 72000 // (len(walk) - 1) + 1).slice(0, 72000)
    print(f"{'character':12} {'frames':>7} {'joints':>7} {'of the take':>12} {'of the fitted':>14}")
    for name, skeleton, parts in characters():
        for frames in (18000, 72000):
            motion = whole.slice(0, frames)
            contacts = find_contacts(motion, own)
            settings = FitSettings(goals=())
            fitted = fit(motion, own, skeleton, parts, settings, contacts)
            verbs = (
                motion.model,
                fitted.model,
                lambda m=motion, s=skeleton, p=parts, c=contacts: fit(m, own, s, p, FitSettings(goals=()), c),
            )
            spent = np.full(3, np.inf)
            for _ in range(5):
                for k, verb in enumerate(verbs):
                    start = time.process_time()
                    verb()
                    spent[k] = min(spent[k], time.process_time() - start)
            print(
                f"{name:12} {frames:7} {len(skeleton):7} {spent[2] / spent[0]:12.1f} {spent[2] / spent[1]:14.1f}"
            )


QUESTIONS = {
    "motions": print_motions,
    "rests": print_rests,
    "rigs": print_rigs,
    "spines": print_spines,
    "speed": print_speed,
}

if __name__ == "__main__":
    for question in sys.argv[1:] or QUESTIONS:
        QUESTIONS[question]()
