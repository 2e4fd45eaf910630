"""A path found from the feet that stand, against the true one: `python tests/benchmarks/path_table.py [NAME ...]`.

With `constants`: what each constant is worth, a third smaller and half as large again (worst errors).

A row for each open walk, run and turn whose path was thrown away, with rotations only (the root at one place) and
walked in place (its height kept), at 60 and 30 frames a second (by cubic splines): how much longer the path of the
hips comes out, how far the way from start to end points elsewhere, and that of the worst second (of those in which
the hips go 0.3 m); how far both ends lie apart, by the true length; the error of their height, RMS without its
mean; and how planted feet slide, against the true take's. Beside it a plain reference in the same run: in each
frame the lowest heel or ball stands. Then the same takes with a suit's noise of 0.25 degrees, repaired whole. Then
all other open motions, which have no aim: they leap, lie, roll and stand on hands.

The aim (issue 14): lengths within 3 %, headings within 5 degrees, for walks, runs and turns.
"""

from __future__ import annotations

import importlib
import sys
from collections.abc import Callable, Iterable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from sensitivity import FACTORS, changed

import corrupt
from clean_takes import at_rate, open_motions
from sliding import sliding_cm_s
from takemill.base.checks import Array
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.feet.contacts import find_contacts
from takemill.feet.path_from_feet import path_from_feet
from takemill.feet.soles import foot_points
from takemill.repair.repair import RepairSettings, repair
from without_path import LOSSES, Loss, path_error, without_path

RATES = (60, 30)
WALKS = (
    "walk", "run", "walker/0walk_forward", "walker/turn_left0", "walker/turn_left1", "walker/turn_right0",
    "walker/turn_right1",
)  # fmt: skip
SENSORS = RepairSettings(profile="suit", heading=False, path=False, floor=False, pin=False)
CONSTANTS = {
    "feet.flights": "_MIN_BEND_GRAVITIES _BEND_S _MIN_FLIGHT_S _MAX_FLIGHT_S _MAX_SPEED_ERROR_LEGS_S "
    "_MAX_DEPTH_LEGS _MIN_FOOT_SWING_LEGS_S",
    "feet.path_from_feet": "_TOUCH_LEGS _SEEK_S _FOLLOW_S _SLIP_LEGS_S _SLIP_SHARE_S _NOISE_TIMES _PASSES "
    "_FIRST_BOUND _HEIGHT_SMOOTHING_S",
    "feet.roll_points": "FOOT_AHEAD_LEGS",
}
NOISE = corrupt.Damage(0.25, 0, 0.3, 0, 0, 0, 0, 0)

Finder = Callable[[Motion, BodyMap], Motion]


def from_feet(motion: Motion, body: BodyMap) -> Motion:
    """The take moved as its feet say."""
    return motion.with_translation(0, motion.root_translation + path_from_feet(motion, body))


def lowest_pinned(motion: Motion, body: BodyMap) -> Motion:
    """The plain reference: in each frame the lowest heel or ball stands at height 0."""
    points = foot_points(motion, body).reshape(len(motion), -1, 3)
    lowest = points[..., 2].argmin(axis=1)
    shift = np.zeros((len(motion), 3))
    steps = np.diff(points[..., :2], axis=0)[np.arange(len(motion) - 1), lowest[:-1]]
    shift[1:, :2] = -np.cumsum(steps, axis=0)
    if np.ptp(hips_of(motion, body)[:, 2]) < 1e-3:
        shift[:, 2] = -points[..., 2].min(axis=1)
    return motion.with_translation(0, motion.root_translation + shift)


def repaired(motion: Motion, body: BodyMap) -> Motion:
    """The take repaired whole, its path from the feet."""
    return repair(motion, body, RepairSettings(path_from="feet"))[0]


def hips_of(motion: Motion, body: BodyMap) -> Array:
    """Where the hips are (F, 3)."""
    return joint_in_model(motion, body.require("hips"))[1]


def table(
    title: str, takes: Iterable[tuple[str, Motion]], raw: Callable[[Motion], Motion], find: Finder
) -> None:
    """Rows of some takes; `raw` damages them before `find` finds the path."""
    print(f"\n{title}\nlength and end %, headings degrees, height cm, planted feet cm/s (the true take's)")
    print("motion                  fps  path            length  heading  second    end  height   slide      "
          "      lowest pinned: length  heading  second    end")  # fmt: skip
    rows = []
    for name, own in takes:
        for rate in RATES:
            true = at_rate(own, rate)
            body = find_body_map(true.skeleton)
            for loss in LOSSES:
                lost = without_path(raw(true), loss)
                found = find(lost, body)
                rows.append(_row(name, true, found, lowest_pinned(lost, body), body, loss))
    if not rows:
        return
    worst = np.abs(np.array(rows)).max(axis=0)
    print(f"{'worst':44} {_figures(worst[:5])}  {'':15} {'':21} {_figures(worst[5:])}")


def _row(name: str, true: Motion, found: Motion, plain: Motion, body: BodyMap, loss: Loss) -> list[float]:
    path = hips_of(true, body)
    figures = []
    for motion in (found, plain):
        error = path_error(hips_of(motion, body), path, true.rate)
        figures += [100 * error.length, error.heading_deg, error.second_deg, 100 * error.end]
    off = hips_of(found, body)[:, 2] - path[:, 2]
    figures.insert(4, 100 * float(off.std()))
    slides = [_slide(motion, true, body) for motion in (found, true)]
    print(f"{name:22} {true.rate:4.0f}  {loss:15} {_figures(figures[:5])}  {slides[0]:6.1f} ({slides[1]:5.1f})"
          f" {'':21} {_figures(figures[5:])}", flush=True)  # fmt: skip
    return figures


def _figures(row: Iterable[float]) -> str:
    return "  ".join(f"{one:6.2f}" for one in row)


def _slide(motion: Motion, true: Motion, body: BodyMap) -> float:
    """How fast the feet slide in the frames in which those of the true take are planted."""
    slid = sliding_cm_s(motion, body, find_contacts(true, body))
    return float(slid.mean()) if len(slid) else 0.0


def constants() -> None:
    """The worst errors of walks and turns, and of the run, with each constant as it is and otherwise."""
    motions = open_motions()
    takes = [(name, at_rate(motions[name], rate)) for name in WALKS for rate in RATES]
    calm = [
        (name, repair(corrupt.corrupt(true, 3, NOISE).motion, find_body_map(true.skeleton), SENSORS)[0])
        for name, true in takes
    ]
    print(
        "worst length, heading and second, of walks and turns; of the run; both again of calmed noisy takes"
    )
    print(f"{'as they are':52}{_worst(takes, takes)}{_worst(calm, takes)}", flush=True)
    for module_name, names in CONSTANTS.items():
        module = importlib.import_module(f"takemill.{module_name}")
        for name in names.split():
            value = getattr(module, name)
            for factor in FACTORS:
                other = max(round(value * factor), 1) if isinstance(value, int) else value * factor
                with changed(module, name, other):
                    row = _worst(takes, takes) + _worst(calm, takes)
                print(f"{module_name + ' ' + name:44} {other:6.3g} {row}", flush=True)


def _worst(lost: list[tuple[str, Motion]], takes: list[tuple[str, Motion]]) -> str:
    rows: dict[bool, list[list[float]]] = {False: [], True: []}
    for (name, raw), (_, true) in zip(lost, takes, strict=True):
        body = find_body_map(true.skeleton)
        found = from_feet(without_path(raw, "rotations only"), body)
        error = path_error(hips_of(found, body), hips_of(true, body), true.rate)
        rows[name == "run"].append([100 * abs(error.length), error.heading_deg, error.second_deg])
    return "".join(f"  {_figures(np.max(part, axis=0))}" for part in rows.values())


def main(names: list[str]) -> None:
    """Print the tables, of some motions or of all."""
    if names == ["constants"]:
        constants()
        return
    motions = {name: one for name, one in open_motions().items() if not names or name in names}
    walks = [(name, one) for name, one in motions.items() if name in WALKS]
    table("Walks, runs and turns", walks, lambda one: one, from_feet)
    table("The same with a suit's noise, repaired whole", walks, lambda one: corrupt.corrupt(one, 3, NOISE).motion,
          repaired)  # fmt: skip
    table("All other motions", [(name, one) for name, one in motions.items() if name not in WALKS],
          lambda one: one, from_feet)  # fmt: skip


if __name__ == "__main__":
    main(sys.argv[1:])
