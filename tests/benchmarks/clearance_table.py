"""How deep arms lie in bodies after a fit: `python tests/benchmarks/clearance_table.py`.

With names, only those questions: samples hands speed; or takes of hands: hilt hips.

| column | what |
|---|---|
| arms, upper | deepest vertex of forearms and hands, and of upper arms' lower part, in trunk and thighs as they are seen (tests/skinned_depth.py): mm |
| share | of the frames, those in which a forearm or a hand is deeper than 5 mm |
| gap | from forearms and hands to the body, median of the frames in which their arm was turned: mm |
| off | the worst relation's distance from its proportional target (tests/hand_measures.py): mm |
| turn | peak angular acceleration of any joint, in that of the performer |

Each without `clear_arms`, then with it. `samples`: the samples' characters (bpy is needed to read them) and the
samples' take. `hands`: takes of hands by the tests' own inverse kinematics, on generated bodies with a mesh.
`speed`: processor time in that of forward kinematics of the same take.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Collection, Iterator
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

import os

import hand_takes
from fit_bodies import BROAD, TOON, Build
from hand_measures import off_m, peak_turn
from skinned_bodies import Girth, skinned
from skinned_depth import depths_mm, gaps_mm
from takemill import repair_take
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import find_contacts
from takemill.fit.clearance import clear_arms
from takemill.fit.fit import FitSettings, fit
from takemill.shape.body_shape import body_shape
from takemill.shape.skin import Skin

ONLY = tuple(os.environ.get("ONLY", "").split())
SAMPLES = Path(__file__).parents[2] / "sample_blends"
LOW = ("leftLowerArm", "rightLowerArm", "leftHand", "rightHand")
HIGH = ("leftUpperArm", "rightUpperArm")
STOUT = Girth(trunk_wide=0.18, trunk_deep=0.15, thigh=0.10)

Character = tuple[str, Skeleton, BodyMap, Skin]


def generated() -> Iterator[Character]:
    yield "slim", *skinned(Build(arms_down_deg=40.0, roll_seed=3))
    yield "stout", *skinned(Build(arms_down_deg=20.0, roll_seed=4), STOUT)
    yield "broad", *skinned(BROAD, Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11))
    yield "toon", *skinned(TOON, Girth(trunk_wide=0.18, trunk_deep=0.12, thigh=0.09, head=0.17))


def samples() -> Iterator[Character]:
    import bpy

    sys.path.insert(0, str(Path(__file__).parents[2] / "blender_addon"))
    import takemill_addon
    from takemill_addon.bridge.rigs.mesh_skin import skin_of
    from takemill_addon.bridge.rigs.rig import ArmatureFrame, read_rig

    takemill_addon.register()
    bpy.ops.wm.open_mainfile(filepath=str(SAMPLES / "marsh_ferry.blend"))
    for name in ("Ferrywoman", "Courier", "Lamplighter"):
        armature = bpy.data.objects[name]
        rig, frame = read_rig(armature), ArmatureFrame.of(armature).standing
        skeleton = frame.world_skeleton(rig.skeleton)
        yield name, skeleton, find_body_map(skeleton), skin_of(armature, rig, frame)


def row(
    name: str, motion: Motion, own: BodyMap, character: Character, take: hand_takes.HandTake | None
) -> None:
    who, skeleton, parts, skin = character
    shape = body_shape(skeleton, parts, skin)
    frames = np.unique(np.linspace(0, len(motion) - 1, 40).astype(int))
    cells: list[list[float]] = []
    plain = None
    for clear in (False, True):
        fitted = fit(motion, own, skeleton, parts, FitSettings(clear_arms=clear), shape=shape)
        low, high = (depths_mm(skin, fitted, parts, frames, arms) for arms in (LOW, HIGH))
        gap = gaps_mm(skin, fitted, plain or fitted, parts, frames)
        off = 0.0
        if take is not None:
            shapes = body_shape(motion.skeleton, own), shape
            off = 1000 * max(off_m(take, one, fitted, parts, shapes) for one in take.relations)
        turn = peak_turn(fitted, parts) / peak_turn(motion, own)
        cells.append([low.max(), high.max(), 100 * (low > 5).mean(), gap, off, turn])
        plain = fitted
    text = "".join(
        f"{f'{a:.1f} -> {b:.1f}' if k < 5 else f'{a:.2f} -> {b:.2f}':>18}"
        for k, (a, b) in enumerate(zip(*cells, strict=True))
    )
    print(f"{name:10} {who:12}{text}", flush=True)


def head() -> None:
    names = ("arms", "upper", "share", "gap", "off", "turn")
    print(f"{'take':10} {'character':12}" + "".join(f"{name:>18}" for name in names))


def ask_samples() -> None:
    take = repair_take(SAMPLES / "marsh_take.bvh")
    head()
    for character in samples():
        row("marsh", take.motion, take.body_map, character, None)


def ask_hands(names: Collection[str] = tuple(hand_takes.TAKES)) -> None:
    head()
    for name in names:
        take = hand_takes.TAKES[name](30.0)
        for character in generated():
            row(name, take.motion, take.body, character, take)


def ask_speed() -> None:
    take = repair_take(SAMPLES / "marsh_take.bvh")
    _, skeleton, parts, skin = next(generated())
    print(f"{'frames':>8} {'shape':>8} {'off':>8} {'clearing':>9}   times of forward kinematics")
    for again in (1, 5, 10):
        rotations = np.tile(take.motion.rotations, (again, 1, 1))
        path = np.tile(take.motion.root_translation, (again, 1))
        motion = Motion(take.motion.skeleton, take.motion.rate, rotations, path)
        contacts = find_contacts(motion, take.body_map)
        base = min(_seconds(motion.model) for _ in range(3))
        shape = body_shape(skeleton, parts, skin)
        made = _seconds(partial(body_shape, skeleton, parts, skin))
        settings = FitSettings(goals=())
        fitted = fit(motion, take.body_map, skeleton, parts, settings, contacts)
        off = _seconds(partial(fit, motion, take.body_map, skeleton, parts, settings, contacts))
        clearing = _seconds(partial(clear_arms, fitted, parts, shape))
        print(f"{len(motion):8} {made / base:8.2f} {off / base:8.1f} {clearing / base:9.1f}", flush=True)


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


QUESTIONS = {"samples": ask_samples, "hands": ask_hands, "speed": ask_speed}


def main() -> None:
    asked = sys.argv[1:] or list(QUESTIONS)
    takes = [name for name in asked if name in hand_takes.TAKES]
    for name in asked:
        if name in QUESTIONS:
            QUESTIONS[name]()
    if takes:
        ask_hands(takes)


if __name__ == "__main__":
    main()
