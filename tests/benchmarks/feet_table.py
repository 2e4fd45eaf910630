"""Feet of fitted characters, as their meshes show them: `python tests/benchmarks/feet_table.py [QUESTION ...]`.

`slides`: the samples' take, repaired, and open takes on the samples' characters (bpy is needed to read them) and on
generated builds in shoes (tests/shoes.py). `hands`: takes of hands on the same builds, with their contacts kept. With
names of takes or characters in TAKES or CHARACTERS (environment, words), only those.

| column | what |
|---|---|
| steps | from frame to frame of a planted foot |
| worst | by how much the stillest point of the surface that touches goes faster than the performer's stillest, scaled: cm/s |
| own | how fast that of the performer is at most, scaled: cm/s |
| .3, 1, 3 | of the steps, those that are faster by more than so many cm/s |
| under, over | deepest vertex of a sole in the floor; highest sole of a planted foot over it: mm |
| performer | the same two of the performer's own, scaled |
| bare, whole | largest angular acceleration of any joint over the performer's, without goals and with them |
| knee | smallest bend of a knee about its hinge, and the performer's: degrees |

A foot that turns about a place between two vertices slides on both, but not there: so triangles count, not vertices
alone. What lies up to 5 mm (scaled) over the lowest touches: tests/sliding.py. Sources: tests/open_data.py.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from clearance_table import samples
from fit_table import knee_bend, level

import hand_takes
import open_data
from fit_bodies import BROAD, TOON, Build, body
from hand_measures import peak_turn
from shoes import shod
from skinned_depth import posed
from sliding import stillest_m_s, stillest_vertex_m_s
from takemill import repair_take
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map, leg_length
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.contacts import Contacts, find_contacts
from takemill.feet.soles import foot_points
from takemill.fit.fit import FitSettings, fit
from takemill.shape.skin import Skin

SAMPLES = Path(__file__).parents[2] / "sample_blends"
ONLY_TAKES, ONLY_CHARACTERS = (os.environ.get(name, "").split() for name in ("TAKES", "CHARACTERS"))
TOUCH_M = 0.005
GRID, LOW_LEGS = 6, 0.1  # parts of a triangle's sides; triangles that reach higher at rest are no sole
ON_FOOT = 0.45  # of a vertex's weight: heels often hang on foot and shin alike


class Character(NamedTuple):
    """A character at rest, and the vertices of each foot's sole among those of its mesh."""

    name: str
    skeleton: Skeleton
    parts: BodyMap
    skin: Skin

    def on_foot(self, foot: str) -> Array:
        below = self.skeleton.subtree(self.parts.require(foot))
        mine = (self.skin.weights * np.isin(self.skin.joints, below)).sum(axis=1) > ON_FOOT
        return np.flatnonzero(mine)


def generated() -> Iterator[Character]:
    builds = {
        "plain": Build(arms_down_deg=40.0, roll_seed=3),
        "toon": TOON,
        "broad": BROAD,
        "long": Build(thigh=0.55, shin=0.53, back=0.45, foot=0.17, roll_seed=3),
        "big-feet": Build(foot=0.22, thigh=0.38, shin=0.42, roll_seed=7),
    }
    for name, build in builds.items():
        skeleton, parts = body(build)
        skeleton, skin = shod(skeleton, parts)
        yield Character(name, skeleton, parts, skin)


def characters() -> list[Character]:
    found = [*(Character(*one) for one in samples()), *generated()]
    return [one for one in found if not ONLY_CHARACTERS or one.name in ONLY_CHARACTERS]


class Take(NamedTuple):
    name: str
    motion: Motion
    body: BodyMap


def takes() -> Iterator[Take]:
    marsh = repair_take(SAMPLES / "marsh_take.bvh")
    yield Take("marsh", marsh.motion, marsh.body_map)
    for name in open_data.HUMANOID3D:
        motion, wraps = open_data.humanoid3d(name)
        motion = open_data.repeated(motion, 3) if wraps else motion
        yield Take(name, level(motion), find_body_map(motion.skeleton))


def wanted(name: str) -> bool:
    return not ONLY_TAKES or name in ONLY_TAKES


class Feet(NamedTuple):
    """What the planted feet of a character do: (N,) steps in m/s over the performer's, and heights in m."""

    faster: Array
    own: Array
    under: float
    over: float


def feet_of(take: Take, contacts: Contacts, fitted: Motion, one: Character) -> Feet:
    """Those of a fitted take by its skinned vertices."""
    rate, scale = (
        fitted.rate,
        leg_length(one.skeleton, one.parts) / leg_length(take.motion.skeleton, take.body),
    )
    theirs = foot_points(take.motion, take.body)
    slow = scale * stillest_m_s(theirs, rate, TOUCH_M)
    faster, own, under, over = [], [], [], []
    for k, foot in enumerate(contacts.feet):
        column, planted = take.body.feet.index(foot), contacts.planted[:, k]
        places = foot_places(one, foot, fitted)
        stands = planted[1:] & planted[:-1]
        faster.append((stillest_vertex_m_s(places, rate, TOUCH_M * scale) - slow[:, column])[stands])
        own.append(slow[stands, column])
        floor = 0.0 if contacts.rise_m is None else scale * contacts.rise_m[:, k].min(axis=-1)
        low = places[..., 2].min(axis=1) - floor
        under.append(-low.min())
        over.append(low[planted].max(initial=0.0))
    return Feet(np.concatenate(faster), np.concatenate(own), max(under), max(over))


def foot_places(one: Character, foot: str, fitted: Motion) -> Array:
    """Points (F, V, 3) on the surface of one foot: of each of its lower triangles some."""
    mine = one.on_foot(foot)
    skin = Skin(one.skin.points[mine], one.skin.joints[mine], one.skin.weights[mine])
    places = posed(skin, fitted, np.arange(len(fitted)))
    faces = one.skin.triangles[np.isin(one.skin.triangles, mine).all(axis=1)]
    corners = np.searchsorted(mine, faces)
    low = skin.points[corners][..., 2].max(axis=1) <= skin.points[:, 2].min() + LOW_LEGS * leg_length(
        one.skeleton, one.parts
    )
    grid = np.array([(i, j, GRID - i - j) for i in range(GRID + 1) for j in range(GRID + 1 - i)]) / GRID
    # Points that two triangles share count once.
    corner, share = corners[low][:, None], np.broadcast_to(grid, (low.sum(), *grid.shape))
    spread = np.zeros((low.sum() * len(grid), len(mine)))
    rows = np.arange(len(spread))
    for k in range(3):
        spread[rows, np.broadcast_to(corner[..., k], share.shape[:2]).ravel()] += share[..., k].ravel()
    spread = np.unique(spread.round(9), axis=0)
    return np.concatenate([places, np.einsum("pv,fvi->fpi", spread, places)], axis=1)


def print_head() -> None:
    names = ("steps", "worst", "own", ".3", "1", "3", "under", "over", "performer", "bare", "whole", "knee")
    widths = (6, 7, 7, 6, 6, 5, 7, 6, 12, 6, 6, 14)
    print(f"{'take':20} {'character':12}" + "".join(f"{n:>{w}}" for n, w in zip(names, widths, strict=True)))


def print_row(take: Take, contacts: Contacts, one: Character) -> Array:
    scale = leg_length(one.skeleton, one.parts) / leg_length(take.motion.skeleton, take.body)
    given = (take.motion, take.body, one.skeleton, one.parts)
    bare, whole = (fit(*given, settings, contacts) for settings in (FitSettings(goals=()), FitSettings()))
    feet, theirs = (
        feet_of(take, contacts, whole, one),
        1000 * scale * foot_points(take.motion, take.body)[..., 2],
    )
    faster = 100 * feet.faster
    columns = [take.body.feet.index(foot) for foot in contacts.feet]
    if contacts.rise_m is not None:
        theirs[:, columns] -= 1000 * scale * contacts.rise_m
    low = theirs[:, columns].min(axis=-1)
    own = f"{max(-low.min(), 0):.1f} {low[contacts.planted].max(initial=0):.1f}"
    peaks = [peak_turn(motion, one.parts) / peak_turn(take.motion, take.body) for motion in (bare, whole)]
    knees = f"{knee_bend(whole, one.parts):.1f} {knee_bend(take.motion, take.body):.1f}"
    over = "".join(f"{(faster > least).sum():{width}}" for least, width in ((0.3, 6), (1.0, 6), (3.0, 5)))
    print(
        f"{take.name:20} {one.name:12}{len(faster):6}{faster.max(initial=0):7.2f}{100 * feet.own.max(initial=0):7.1f}"
        f"{over}{1000 * feet.under:7.1f}{1000 * feet.over:6.1f}{own:>12}{peaks[0]:6.2f}{peaks[1]:6.2f}{knees:>14}",
        flush=True,
    )
    return faster


def ask_slides() -> None:
    print_head()
    everybody = characters()
    steps: dict[str, list[Array]] = {}
    for take in takes():
        if wanted(take.name):
            contacts = find_contacts(take.motion, take.body)
            for one in everybody:
                kind = f"{'samples take' if take.name == 'marsh' else 'open takes'}, {one.name}"
                steps.setdefault(kind, []).append(print_row(take, contacts, one))
    for kind, found in steps.items():
        faster = np.concatenate(found)
        shares = ", ".join(f"{(faster > least).sum()} over {least}" for least in (0.3, 1.0, 3.0, 10.0))
        print(f"{kind}: worst {faster.max():.1f} cm/s; of {len(faster)} steps {shares}")


def ask_hands() -> None:
    print_head()
    everybody = list(generated())
    for name, make in hand_takes.TAKES.items():
        if wanted(name):
            given = make(60.0)
            take = Take(name, given.motion, given.body)
            contacts = find_contacts(take.motion, take.body)
            for one in everybody:
                print_row(take, contacts, one)


QUESTIONS = {"slides": ask_slides, "hands": ask_hands}

if __name__ == "__main__":
    for question in sys.argv[1:] or QUESTIONS:
        QUESTIONS[question]()
