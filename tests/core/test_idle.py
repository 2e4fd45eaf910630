"""Idles of any length from a little calm: they breathe on, stand still, and do not visibly repeat."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

import exhaustive_idles as slow
import fit_bodies
import forms
import labelled_guards
from idle_takes import KnownIdle, known_idle
from sliding import sliding_cm_s
from takemill.base.checks import Array
from takemill.base.errors import InputError, RecipeError
from takemill.clip.clouds import main_joints, positions_at
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.files.bvh import parse_bvh
from takemill.fit.fit import FitSettings
from takemill.health.check import Health
from takemill.idle import idle as idle_file
from takemill.idle.idle import build_idle, choose_idle
from takemill.idle.idle_join import measure_joins
from takemill.idle.idle_pool import find_calm
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.fit_take import fit_take
from takemill.pipeline.plan_clips import plan_clips
from takemill.pipeline.prepare_take import PreparedTake, body_of, digest_of
from takemill.pipeline.resample_clip import resample_clip
from takemill.pipeline.stages import make_clips, make_set, settle_seams
from takemill.pipeline.suggest_idle import suggest_idle
from takemill.recipe.recipe import Recipe, parse_recipe

LENGTHS = (10.0, 30.0, 60.0)


def prepared(known: KnownIdle) -> PreparedTake:
    contacts = find_contacts(known.motion, known.body)
    return PreparedTake(
        "calm", digest_of(known.motion), known.motion, known.body, known.motion, (), Health((), {}), contacts
    )


@cache
def made(seed: int, length_s: float, more: str = "") -> tuple[FinishedClip, KnownIdle]:
    """An idle from 12 s of calm, as it leaves."""
    known = known_idle(seed)
    text = f'[[clip]]\nname = "idle"\nfrom = 0\nto = 12\nlength_s = {length_s}\nseed = {seed}\n{more}'
    (clip,) = make_set(prepared(known), parse_recipe(text))
    return clip, known


def phase_steps(parts: tuple[tuple[int, int], ...], phase: Array) -> Array:
    """How far apart, in breaths, the true phases are at each join of parts."""
    after = [*parts[1:], parts[0]]
    off = np.array([phase[leave] - phase[enter] for (_, leave), (enter, _) in zip(parts, after, strict=True)])
    return np.abs((off + 0.5) % 1 - 0.5)


@pytest.mark.once
@pytest.mark.parametrize("length_s", LENGTHS)
@pytest.mark.parametrize("seed", range(3))
def test_twelve_seconds_of_calm_give_idles_of_any_length(seed: int, length_s: float) -> None:
    """The proof of issue 15: joins, feet, repeats; and whole breaths."""
    clip, known = made(seed, length_s)
    count = len(clip.motion) - 1
    assert clip.loop
    assert clip.idle is not None
    assert clip.kind == "idle"
    assert clip.motion.duration_s == pytest.approx(length_s, abs=1e-9)
    assert clip.idle.pace == pytest.approx(sum(b - a for a, b in clip.stretches) / 60 / length_s, abs=1e-9)
    assert abs(clip.idle.pace - 1) <= 0.55 * 4.0 / length_s  # half a breath, and what breaths differ by
    positions = positions_at(clip.motion, np.arange(count + 1), main_joints(clip.body))
    at = np.round(np.array(clip.idle.joins) * count).astype(int)
    assert max(measure_joins(positions, at)) <= 1.1
    assert sliding_cm_s(clip.motion, clip.body, clip.contacts, loop=True).max() <= 0.05
    assert clip.contacts.planted.all()
    shortest = min(stop - start for start, stop in clip.stretches)
    assert slow.repeats_after(clip.stretches) >= shortest
    whole = sum(stop - start for start, stop in clip.stretches)
    assert clip.idle.repeats == pytest.approx(slow.repeats_after(clip.stretches) / whole)
    assert phase_steps(clip.stretches, known.phase).max() < 0.1
    assert clip.idle.breaths == pytest.approx(round(clip.idle.breaths or 0.5), abs=0.05)
    assert round(clip.idle.breaths or 0.0) == round(
        sum(known.phase[b] - known.phase[a] for a, b in clip.stretches)
    )


@pytest.mark.parametrize(("pose", "at_s", "seed"), [("punch", 0.1, 1), ("jump", 0.0, 2)])
def test_joins_of_a_guard_without_noise_do_not_stand_out(pose: str, at_s: float, seed: int) -> None:
    """The one is so calm that a quick fade of accelerations would show; the other's knees lock sharply."""
    guard = labelled_guards.Guard(labelled_guards.calm_pose(pose, at_s), 0.0, 1.6, 0.0, 0.0)
    motion = labelled_guards.guard_motion(guard, 721, np.random.default_rng(seed))
    body = labelled_guards.the_body()
    contacts = find_contacts(motion, body)
    parts = choose_idle(motion, body, contacts, ((0, len(motion)),), 30.0, 0)
    idle = build_idle(motion, body, contacts, parts, 30.0)
    at = np.round(np.array(idle.facts.joins) * 1800).astype(int)
    assert len(idle.motion) == 1801
    assert max(measure_joins(positions_at(idle.motion, np.arange(1801), main_joints(body)), at)) <= 1.1


@pytest.mark.parametrize("length_s", [4.0, 6.0, 7.3, 14.0])
def test_few_breaths_last_as_long_as_was_asked(length_s: float) -> None:
    """Of a breath of 4 s: one, one and a half, nearly two, three and a half."""
    known = known_idle(1)
    take = prepared(known)
    found = suggest_idle(take, Recipe(), length_s)
    assert found.duration_s == pytest.approx(length_s, abs=0.5 / 60)
    assert round(found.facts.breaths or 0.0) == round(
        sum(known.phase[b] - known.phase[a] for a, b in found.parts)
    )
    assert abs(found.facts.pace - 1) <= 0.34


def test_without_the_breath_the_phase_would_jump(monkeypatch: pytest.MonkeyPatch) -> None:
    """A hidden sawtooth: poses alone take a breath on its way up for one on its way down."""
    worst = []
    monkeypatch.setattr(idle_file, "find_breath", lambda *_: None)
    for seed in range(3):
        known = known_idle(seed)
        take = prepared(known)
        parts = choose_idle(take.motion, take.body, take.contacts, ((0, len(take.motion)),), 30.0, seed)
        worst.append(phase_steps(parts, known.phase).max())
    assert min(worst) > 0.12
    assert max(worst) > 0.25


def test_it_breathes_evenly_over_every_join() -> None:
    """The chest of the finished clip, seen from its hips, rises as often as the breaths say, about evenly."""
    clip, _ = made(1, 30.0)
    joints = np.array(
        [clip.body.require(part) for part in ("hips", "leftShoulder", "rightShoulder", "chest")]
    )
    at = positions_at(clip.motion, np.arange(len(clip.motion)), joints)
    arms = np.array([clip.body.require(part) for part in ("leftUpperArm", "rightUpperArm")])
    rise = positions_at(clip.motion, np.arange(len(clip.motion)), arms)[..., 2].mean(axis=1) - at[:, 0, 2]
    count = len(rise) - 1
    spectrum = np.fft.rfft(rise[:count] - rise[:count].mean())
    assert clip.idle is not None
    assert clip.idle.breaths is not None
    assert int(np.argmax(np.abs(spectrum))) == round(clip.idle.breaths)


@pytest.mark.parametrize("more", ["", 'root_motion = "in_place"\n', "rate = 30\n", "rate = 24\n"])
def test_the_feet_stand_at_one_place_in_what_plays(more: str) -> None:
    clip, _ = made(0, 30.0, more)
    points = foot_points(clip.motion, clip.body)
    assert np.ptp(points, axis=0).max() < 1e-4
    assert np.ptp(clip.root_motion.position, axis=0).max() == 0
    assert np.abs(clip.motion.rotations[0] - clip.motion.rotations[-1]).max() < 1e-6


@pytest.mark.parametrize("mode", ["in_place", "root"])
def test_the_feet_of_a_plain_idle_stand_in_what_plays(mode: str) -> None:
    """Hips that sway are no root motion of a body at rest: taken out, they let its feet slide by 9.8 cm/s.

    What is left, up to 0.06 cm/s, is what the loop's ends are apart in place, spread over it.
    """
    text = f'[[clip]]\nname = "idle"\nfrom = 0\nto = 12\nkind = "idle"\nloop = true\nroot_motion = "{mode}"\n'
    (clip,) = make_set(prepared(known_idle(3)), parse_recipe(text))
    assert sliding_cm_s(clip.motion, clip.body, clip.contacts, loop=True).max() <= 0.1
    assert np.abs(np.diff(clip.root_motion.position, 2, axis=0)).max() < 1e-9


def test_settled_parts_make_the_same_clip() -> None:
    """For characters the parts are found once, on the performer, and joined in their order."""
    take = prepared(known_idle(2))
    recipe = parse_recipe('[[clip]]\nname = "idle"\nfrom = 0\nto = 12\nlength_s = 30\nseed = 4\n')
    plan = plan_clips([take], recipe)
    (first,) = make_clips([take], plan)
    settled = settle_seams([take], plan)
    assert settled.drafts[0].search is False
    (again,) = make_clips([take], settled)
    assert again.stretches == first.stretches
    assert np.array_equal(again.motion.rotations, first.motion.rotations)


@pytest.mark.parametrize(
    "build",
    [fit_bodies.Build(), fit_bodies.Build(thigh=0.6, shin=0.55), fit_bodies.TOON, fit_bodies.BROAD],
    ids=["own", "long legs", "toon", "broad"],
)
def test_on_a_character_it_stands_breathes_and_loops(build: fit_bodies.Build) -> None:
    take = prepared(known_idle(2))
    recipe = parse_recipe('[[clip]]\nname = "idle"\nfrom = 0\nto = 12\nlength_s = 10\nseed = 4\n')
    settled = settle_seams([take], plan_clips([take], recipe))
    fitted = fit_take(take, *fit_bodies.body(build), FitSettings())
    (own,), (clip,) = make_clips([take], settled), make_clips([fitted], settled)
    count = len(clip.motion) - 1
    assert (clip.stretches, count) == (own.stretches, 600)
    assert np.ptp(foot_points(clip.motion, clip.body), axis=0).max() < 1e-4
    assert foot_points(clip.motion, clip.body)[..., 2].min() > -0.003
    assert np.abs(clip.motion.rotations[0] - clip.motion.rotations[-1]).max() < 1e-6
    assert clip.idle is not None
    assert own.idle is not None
    assert round(clip.idle.breaths or 0.0) == round(own.idle.breaths or 0.0) > 0
    at = np.round(np.array(clip.idle.joins) * count).astype(int)
    assert (
        max(measure_joins(positions_at(clip.motion, np.arange(count + 1), main_joints(clip.body)), at)) <= 1.1
    )


def test_another_seed_is_another_order_and_a_seed_is_the_same() -> None:
    take = prepared(known_idle(1))
    whole = ((0, len(take.motion)),)
    found = [choose_idle(take.motion, take.body, take.contacts, whole, 30.0, seed) for seed in (0, 0, 1, 2)]
    assert found[0] == found[1]
    assert len(set(found)) == 3


def test_a_long_take_does_not_repeat_what_it_need_not() -> None:
    take = prepared(known_idle(3, 45.0))
    whole = ((0, len(take.motion)),)
    parts = choose_idle(take.motion, take.body, take.contacts, whole, 20.0, 0)
    assert slow.repeats_after(parts) == sum(stop - start for start, stop in parts)


def test_what_stirs_is_no_part_of_it() -> None:
    known = known_idle(4, 20.0, fidgets=(9.0,))
    take = prepared(known)
    calm = find_calm(take.motion, take.body, take.contacts, ((0, len(take.motion)),))
    assert len(calm) == 2
    assert calm[0][1] / 60 == pytest.approx(8.8, abs=0.4)
    assert calm[1][0] / 60 == pytest.approx(11.2, abs=0.4)
    parts = choose_idle(take.motion, take.body, take.contacts, ((0, len(take.motion)),), 25.0, 0)
    assert all(stop <= calm[0][1] or start >= calm[1][0] for start, stop in parts)


def test_the_take_stays_as_it_is() -> None:
    known = known_idle(5)
    take = prepared(known)
    before = digest_of(take.motion)
    parts = choose_idle(take.motion, take.body, take.contacts, ((0, len(take.motion)),), 10.0, 0)
    build_idle(take.motion, take.body, take.contacts, parts, 10.0)
    assert digest_of(take.motion) == before


def test_too_little_calm_is_said() -> None:
    take = prepared(known_idle(0, 3.0))
    whole = ((0, len(take.motion)),)
    with pytest.raises(InputError, match=r"of calm, of which no parts close to a loop .* another length_s"):
        choose_idle(take.motion, take.body, take.contacts, whole, 30.0, 0)
    with pytest.raises(InputError, match="nowhere in its range does the body rest on both feet"):
        choose_idle(take.motion, take.body, take.contacts, ((0, 40),), 30.0, 0)
    with pytest.raises(InputError, match="length_s"):
        choose_idle(take.motion, take.body, take.contacts, whole, 0.0, 0)
    with pytest.raises(InputError, match="expected four frames of the take or more"):
        build_idle(take.motion, take.body, take.contacts, ((10, 12),))
    for length_s in (2.0, 4.5):
        said = rf"an idle of {length_s:g} s: its parts last 2\.8 s, .* a third .*; ask for about 2\.8 s"
        with pytest.raises(InputError, match=said):
            build_idle(take.motion, take.body, take.contacts, ((5, 171),), length_s)


def test_parts_that_do_not_join_are_refused_by_name() -> None:
    known = known_idle(6, 14.0, fidgets=(6.0, 6.0))
    text = (
        '[[clip]]\nname = "idle"\nstretches = [["60f", "419f"], ["600f", "780f"]]\n'
        "length_s = 9\nsearch = false\n{}"
    )
    with pytest.raises(
        RecipeError, match=r"clip 'idle': its join from frame 420 .* is bad: .* \[loop\] bad_seam"
    ):
        make_set(prepared(known), parse_recipe(text.format("")))
    (clip,) = make_set(prepared(known), parse_recipe('[loop]\nbad_seam = "keep"\n' + text.format("")))
    assert clip.candidate is not None
    assert clip.candidate.quality == "bad"


@pytest.mark.parametrize("pose", [forms.along(), forms.crumpled(1)], ids=["along", "crumpled"])
def test_any_form_of_a_file_gives_the_same_parts(pose: forms.Pose) -> None:
    known = known_idle(7)
    whole = ((0, len(known.motion)),)
    contacts = find_contacts(known.motion, known.body)
    parts = choose_idle(known.motion, known.body, contacts, whole, 20.0, 1)
    plain = forms.plain(known.motion)
    form = forms.resting(plain, pose(plain, known.body.joints))
    motion, _ = parse_bvh(forms.bvh_text(form, unit="cm", up="Y"))
    body = body_of(motion.skeleton, Recipe())
    found = choose_idle(motion, body, find_contacts(motion, body), whole, 20.0, 1)
    assert np.abs(np.array(found) - np.array(parts)).max() <= 1


def test_a_variant_keeps_what_is_known_of_its_joins() -> None:
    clip, _ = made(0, 10.0)
    slower = resample_clip(clip, 24.0)
    assert slower.idle == clip.idle
