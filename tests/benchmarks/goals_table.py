"""What a fit keeps of contacts of hands and body: `python tests/benchmarks/goals_table.py`.

With names, only those questions: takes held open supports speed.

| column | what |
|---|---|
| off | a relation's largest distance from its proportional target (tests/hand_measures.py): mm |
| slide | how fast a hand on the floor slides at most, and the performer's own: cm/s |
| turn | peak angular acceleration of any joint, in that of the performer |
| elbow, knee | smallest bend about the hinge; below 0 it bends the wrong way: degrees |

Each without goals, then with them. `held`: the same takes at 50 frames a second on bodies that no constant was
chosen on. `supports`: chairs, boxes and benches (tests/support_takes.py) on bodies with a mesh, by skinned
vertices (tests/support_measures.py): how far under and over the performer's height, scaled, mm; how fast the
surface slides there, and rises or sinks, cm/s. `open`: goals found in open motion, and how far off they are by the engine's own measure. `speed`:
processor time in that of forward kinematics of the same take, without goals and with them, and both again with
arms that a mesh clears. Sources: see tests/open_data.py.
"""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from fit_table import level

import hand_takes
import open_data
import support_takes
from fit_bodies import BROAD, TOON, Build, body
from hand_measures import least_bend_deg, off_m, peak_turn, slide_m_s
from skinned_bodies import Girth, skinned
from support_measures import height_m, lies
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import find_contacts
from takemill.fit.fit import FitSettings, fit, fit_with_goals
from takemill.goals.goal_asked import Asked
from takemill.goals.goal_figures import figures, posed
from takemill.goals.goal_results import goal_results
from takemill.goals.goal_targets import courses
from takemill.goals.goals import KINDS
from takemill.shape.body_shape import body_shape
from takemill.shape.scale import Scale

LONG = Build(upper_arm=0.34, fore_arm=0.31, thigh=0.5, shin=0.46, shoulder_width=0.4, roll_seed=9)
WIDE = Girth(trunk_wide=0.25, trunk_deep=0.15, thigh=0.11)
MESHES = (
    ("plain", Build(arms_down_deg=60.0, roll_seed=3), Girth()),
    ("stout", Build(arms_down_deg=20.0, roll_seed=4), Girth(trunk_wide=0.18, trunk_deep=0.15, thigh=0.10)),
    ("broad", BROAD, WIDE),
    ("short toon", TOON, Girth(trunk_wide=0.18, trunk_deep=0.12, thigh=0.09, head=0.13)),
    ("long limbs", LONG, Girth()),
)
OPEN = ("walk", "run", "jump", "punch", "kick", "dance_a", "cartwheel", "crawl", "getup_facedown")


def characters() -> Iterator[tuple[str, Skeleton, BodyMap]]:
    yield "same, other rest", *body(Build(arms_down_deg=60.0, roll_seed=3))
    yield "short toon", *body(TOON)
    yield "broad", *body(BROAD)
    yield "long limbs", *body(LONG)


def held_out() -> Iterator[tuple[str, Skeleton, BodyMap]]:
    """Bodies that no constant was chosen on."""
    yield "thin", *body(Build(shoulder_width=0.3, back=0.44, upper_arm=0.31, fore_arm=0.29, roll_seed=21))
    yield "stocky", *body(Build(thigh=0.34, shin=0.33, back=0.56, shoulder_width=0.46, upper_arm=0.25,
                                fore_arm=0.21, arms_down_deg=50.0, roll_seed=22))  # fmt: skip
    yield "child", *body(Build(thigh=0.25, shin=0.24, ankle=0.05, back=0.32, shoulder_width=0.25, upper_arm=0.16,
                               fore_arm=0.14, hand=0.1, foot=0.1, arms_down_deg=20.0, roll_seed=23))  # fmt: skip
    yield "six spine", *body(Build(trunk=("spine", "chest", "upperChest"), helpers=3, arms_ahead_deg=15.0,
                                   arms_down_deg=70.0, roll_seed=24))  # fmt: skip


def takes(
    bodies: Callable[[], Iterator[tuple[str, Skeleton, BodyMap]]] = characters, rate: float = 60.0
) -> None:
    names = ("off", "slide", "turn", "elbow", "knee")
    print(f"{'take':10} {'character':17}" + "".join(f"{name:>17}" for name in names))
    for name, make in hand_takes.TAKES.items():
        take = make(rate)
        for character, skeleton, parts in bodies():
            shapes = body_shape(take.motion.skeleton, take.body), body_shape(skeleton, parts)
            cells: list[list[str]] = [[] for _ in names]
            for settings in (FitSettings(goals=()), FitSettings()):
                fitted = fit(take.motion, take.body, skeleton, parts, settings)
                off = max(off_m(take, one, fitted, parts, shapes) for one in take.relations)
                floor = [one for one in take.relations if one.kind == "floor"]
                slide = max((slide_m_s(fitted, parts, one) for one in floor), default=0.0)
                turn = peak_turn(fitted, parts) / peak_turn(take.motion, take.body)
                bends = [least_bend_deg(fitted, parts, limb) for limb in ("Arm", "Leg")]
                values = (1000 * off, 100 * slide, turn, *bends)
                for cell, value in zip(cells, values, strict=True):
                    cell.append(f"{value:.1f}" if abs(value) >= 10 else f"{value:.2f}")
            print(f"{name:10} {character:17}" + "".join(f"{' -> '.join(cell):>17}" for cell in cells))


def open_motion() -> None:
    print(
        f"{'motion':16} {'character':17} {'goals':>6} {'off before':>12} {'after':>8} {'reached':>8} {'turn':>13}"
    )
    for name in OPEN:
        motion, wraps = open_data.humanoid3d(name)
        motion = level(open_data.repeated(motion, 3) if wraps else motion)
        own = find_body_map(motion.skeleton)
        for character, skeleton, parts in characters():
            plain = fit(motion, own, skeleton, parts, FitSettings(goals=()))
            kept = fit_with_goals(motion, own, skeleton, parts)
            ratio = leg_length(skeleton, parts) / leg_length(motion.skeleton, own)
            bodies = figures(motion.skeleton, own, skeleton, parts)
            goals = [one.goal for one in kept.goals]
            asked = courses(goals, posed(bodies[0], motion), bodies, Scale(ratio, ratio, 0.0))
            every = [Asked(one, one.frames, None) for one in asked]
            before = goal_results(posed(bodies[1], plain), every, bodies[1])
            worst = [1000 * max((one.worst_m for one in some), default=0.0) for some in (before, kept.goals)]
            reached = sum(one.reached for one in kept.goals)
            turns = [peak_turn(one, parts) / peak_turn(motion, own) for one in (plain, kept.motion)]
            print(f"{name:16} {character:17} {len(goals):6} {worst[0]:12.0f} {worst[1]:8.1f} {reached:8}"
                  f" {turns[0]:6.2f} -> {turns[1]:.2f}")  # fmt: skip


def supports() -> None:
    names = ("under", "over", "slide", "rise", "turn")
    print(f"{'take':6} {'part':13} {'character':17}" + "".join(f"{name:>17}" for name in names))
    for name, make in support_takes.CARRIED.items():
        take = make(60.0)
        for character, build, girth in MESHES:
            skeleton, parts, skin = skinned(build, girth)
            shape = body_shape(skeleton, parts, skin)
            without = FitSettings(goals=tuple(kind for kind in KINDS if kind != "support"))
            given = (take.motion, take.body, skeleton, parts)
            fits = [fit(*given, settings, shape=shape) for settings in (without, FitSettings())]
            turns = [peak_turn(one, parts) / peak_turn(take.motion, take.body) for one in fits]
            for one in take.relations:
                height = height_m(take, one)
                both = [lies(take, one, fitted, parts, skin, height) for fitted in fits]
                rows = [(x.under_mm, x.over_mm, x.slide_cm_s, x.rise_cm_s) for x in both]
                cells = [*zip(*rows, strict=True), turns]
                print(f"{name:6} {one.part:13} {character:17}"
                      + "".join(f"{f'{a:.2f} -> {b:.2f}':>17}" for a, b in cells), flush=True)  # fmt: skip


def speed() -> None:
    """All takes of hands one after the other, again and again; so goals count in nearly every frame."""
    made = [make(60.0) for make in hand_takes.TAKES.values()]
    rotations = np.concatenate([one.motion.rotations for one in made])
    path = np.concatenate([one.motion.root_translation for one in made])
    own, (skeleton, parts, skin) = made[0].body, skinned(BROAD, WIDE)
    shape = body_shape(skeleton, parts, skin)
    print(
        f"{'frames':>8} {'goals':>6} {'off':>8} {'on':>8} {'clear':>8} {'both':>8}   times of forward kinematics"
    )
    for frames in (9000, 36000, 72000):
        again = -(-frames // len(rotations))
        motion = Motion(
            made[0].motion.skeleton,
            60.0,
            np.tile(rotations, (again, 1, 1))[:frames],
            np.tile(path, (again, 1))[:frames],
        )
        contacts = find_contacts(motion, own)
        base = min(_seconds(motion.model) for _ in range(3))
        given = (motion, own, skeleton, parts)
        spent = [
            _seconds(partial(fit, *given, one, contacts, shape=surface))
            for surface in (None, shape)
            for one in (FitSettings(goals=()), FitSettings())
        ]
        count = len(fit_with_goals(motion, own, skeleton, parts, FitSettings(), contacts).goals)
        print(f"{frames:8} {count:6}" + "".join(f" {one / base:8.1f}" for one in spent))


def _seconds(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


QUESTIONS = {
    "takes": takes,
    "held": partial(takes, held_out, 50.0),
    "open": open_motion,
    "supports": supports,
    "speed": speed,
}


def main() -> None:
    for name in sys.argv[1:] or QUESTIONS:
        QUESTIONS[name]()


if __name__ == "__main__":
    main()
