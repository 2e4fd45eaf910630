"""Idles of 10, 30 and 60 s from little calm: joins, breaths, feet, repeats; the order beside all orders; speed.

`python tests/benchmarks/idles_table.py`; with names, only those questions: idles order speed. Takes: breaths that
are known (tests/idle_takes.py), at 30 to 120 frames a second; the marsh ferry take, 12 s of it and all; guards
of open poses that breathe (tests/labelled_guards.py); the one open take that rests (bvhtoolbox).
"""

from __future__ import annotations

import sys
import time
from collections.abc import Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from scipy.signal import butter, sosfiltfilt

import exhaustive_idles as slow
import labelled_guards
import open_data
from idle_takes import known_idle
from sliding import sliding_cm_s
from takemill.api.take_verbs import prepare, repair_take
from takemill.base.checks import Array
from takemill.base.errors import RecipeError
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.clip.clouds import main_joints, positions_at
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.health.check import Health
from takemill.idle import idle_order
from takemill.idle.idle import build_idle, choose_idle
from takemill.idle.idle_join import measure_joins
from takemill.idle.idle_order import find_order, is_valley
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import Recipe, parse_recipe

LENGTHS, SEEDS = (10, 30, 60), 2
SAMPLE = Path(__file__).parents[2] / "sample_blends/marsh_take.bvh"


def as_take(motion: Motion, body: BodyMap) -> PreparedTake:
    contacts = find_contacts(motion, body)
    return PreparedTake("calm", digest_of(motion), motion, body, motion, (), Health((), {}), contacts)


def takes() -> Iterator[tuple[str, PreparedTake, tuple[float, float], Array | None]]:
    """Name, take, the seconds that are used, and the phase of its breath where that is known."""
    for rate in (30.0, 60.0, 120.0):
        for seed in range(10, 12):
            known = known_idle(seed, 12.0, rate)
            yield f"known {rate:g} Hz {seed}", as_take(known.motion, known.body), (0.0, 12.0), known.phase
    quiet = known_idle(12, 12.0, breath_deg=0.0)
    yield "without a breath", as_take(quiet.motion, quiet.body), (0.0, 12.0), None
    noisy = known_idle(13, 12.0, noise_deg=0.3)
    yield "0.3 degrees of noise", as_take(noisy.motion, noisy.body), (0.0, 12.0), noisy.phase
    sample = prepare(repair_take(SAMPLE), Recipe())
    for span in ((1.0, 13.0), (95.0, 107.0), (0.0, 119.9)):
        yield f"sample {span[0]:g}-{span[1]:g} s", sample, span, None
    for name, seed in (("punch", 1), ("jump", 2)):
        pose = labelled_guards.calm_pose(name, 0.1 if name == "punch" else 0.0)
        guard = labelled_guards.Guard(pose, 0.0, 1.6, 0.0, 0.0)
        motion = labelled_guards.guard_motion(guard, 721, np.random.default_rng(seed))
        yield f"guard of {name}", as_take(motion, labelled_guards.the_body()), (0.0, 12.0), None
    for path in open_data.bvh_files():
        take = prepare(repair_take(path), Recipe())
        yield f"bvhtoolbox {path.stem}"[:22], take, (0.0, take.motion.duration_s), None


def idles() -> None:
    print(
        "idles: wanted seconds, got, parts, shortest part and soonest repeat (s); acceleration and its change at\n"
        "joins as shares of p95 elsewhere (at most 1.1); the same in the half second around joins beside random half\n"
        "seconds elsewhere (p95 of their peaks); how far the known breath jumps at joins (breaths, at most); planted\n"
        "feet (cm/s, at most 0.05) and how far any point of a sole moves (mm)"
    )
    for name, take, (first, last), phase in takes():
        for length in LENGTHS:
            for seed in range(SEEDS):
                text = f'[[clip]]\nname = "idle"\nfrom = {first}\nto = {last}\nlength_s = {length}\n'
                text += f"seed = {seed}\n"
                try:
                    (clip,) = make_set(take, parse_recipe(text))
                except RecipeError as problem:
                    print(f"  {name:22} {length:3d}  {str(problem)[:95]}")
                    break
                assert clip.idle is not None
                rate, count = clip.motion.rate, len(clip.motion) - 1
                at = np.round(np.array(clip.idle.joins) * count).astype(int)
                places = positions_at(clip.motion, np.arange(count + 1), main_joints(clip.body))
                joins = measure_joins(places, at)
                ends = [stop - start for start, stop in clip.stretches]
                jump = "    "
                if phase is not None:
                    after = [*clip.stretches[1:], clip.stretches[0]]
                    off = [phase[a[1]] - phase[b[0]] for a, b in zip(clip.stretches, after, strict=True)]
                    jump = f"{np.abs((np.array(off) + 0.5) % 1 - 0.5).max():4.2f}"
                slip = sliding_cm_s(clip.motion, clip.body, clip.contacts, loop=True).max(initial=0.0)
                sole = 1000 * np.ptp(foot_points(clip.motion, clip.body), axis=0).max(initial=0.0)
                print(
                    f"  {name:22} {length:3d} {clip.motion.duration_s:5.1f} {len(ends):3d} {min(ends) / rate:5.2f}"
                    f" {slow.repeats_after(clip.stretches) / rate:6.2f}   {joins[0]:4.2f} {joins[1]:4.2f}"
                    f"  {around(places, at, rate):4.2f}   {jump}   {slip:5.3f} {sole:5.2f}"
                )


def around(places: Array, at: Array, rate: float) -> float:
    """The largest acceleration within a quarter of a second of a join, beside such peaks elsewhere (p95)."""
    count = len(places) - 1
    cycle = places[np.arange(-1, count + 1) % count]
    size = np.linalg.norm(np.diff(cycle, 2, axis=0), axis=-1).mean(axis=1)
    reach = round(0.25 * rate)
    peaks = np.array([size[np.arange(f - reach, f + reach + 1) % count].max() for f in range(count)])
    away = np.min(np.abs((np.arange(count)[:, None] - at + count // 2) % count - count // 2), axis=1)
    elsewhere = peaks[away > 2 * reach]
    return float(peaks[at].max() / np.percentile(elsewhere, 95)) if len(elsewhere) else 0.0


def order() -> None:
    print(
        "order: worst join as a multiple of the best of all chains, and repeat as a share of the latest (40 cases)"
    )
    idle_order._SAME = 1
    worse, sooner = [], []
    for seed in range(40):
        cost, stretch = slow.problem(seed)
        found = find_order(cost, stretch, 14, 3, seed)
        valleys = np.where(is_valley(cost), cost, np.inf)
        every = [
            (slow.worst_of(one, cost), slow.repeats_after(one), min(b - a for a, b in one))
            for one in slow.chains(valleys, stretch, 14, 3)
        ]
        apart = [one for one in every if one[1] > one[2]] or every
        least = min(worst for worst, _, _ in apart)
        assert found is not None
        worse.append(found.worst / least)
        sooner.append(found.repeats_after / max(wait for worst, wait, _ in apart if worst <= 1.5 * least))
    print(
        f"  worst join: median {np.median(worse):.2f}, p90 {np.percentile(worse, 90):.2f}, most {max(worse):.2f}"
    )
    print(
        f"  repeat: median {np.median(sooner):.2f}, p10 {np.percentile(sooner, 10):.2f}, least {min(sooner):.2f}"
    )


def speed() -> None:
    print(
        "speed: an idle of 30 s chosen and built, seconds, and as a multiple of sosfiltfilt of the take's rotations"
    )
    for seconds in (150.0, 300.0, 600.0):
        known = known_idle(1, seconds, 120.0)
        take = as_take(known.motion, known.body)
        whole = ((0, len(take.motion)),)
        began = time.perf_counter()
        parts = choose_idle(take.motion, take.body, take.contacts, whole, 30.0, 0)
        chosen = time.perf_counter()
        build_idle(take.motion, take.body, take.contacts, parts, 30.0)
        done = time.perf_counter()
        sosfiltfilt(butter(4, 6.0, fs=120.0, output="sos"), take.motion.rotations, axis=0)
        reference = time.perf_counter() - done
        print(
            f"  {len(take.motion):6d} frames: chosen {chosen - began:5.2f}, built {done - chosen:5.2f},"
            f" sosfiltfilt {reference:5.2f}: {(done - began) / reference:5.1f} times"
        )


if __name__ == "__main__":
    for question in sys.argv[1:] or ("idles", "order", "speed"):
        {"idles": idles, "order": order, "speed": speed}[question]()
