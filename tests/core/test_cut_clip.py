"""Frames cut out of a take and closed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import clip_takes
from day_take import clip, day, make
from takemill.base.errors import RecipeError, SeamError
from takemill.clip.measure import measure_seam
from takemill.maths import quat
from takemill.pipeline import cut_clip
from takemill.pipeline.plan_clips import suggest_take_cuts
from takemill.pipeline.prepare_take import PreparedTake
from takemill.recipe.recipe import ClipSpec, Moment, Recipe


@pytest.fixture(scope="module")
def take() -> PreparedTake:
    return day()


def test_a_one_shot_holds_its_frames(take):
    (one,) = make(take, clip(start='"30f"', stop='"90f"', more='root_motion = "keep"'))
    assert one.source_range == (30, 91)
    assert (len(one.motion), one.motion.rate, one.loop, one.candidate) == (61, 60.0, False, None)
    # As a whole it is moved to the origin; what it does is the take's.
    inside = one.motion.rotations[:, 1:], take.motion.rotations[30:91, 1:]
    assert quat.angle_between(*inside).max() < 1e-6
    assert np.abs(one.root_motion.position[0, :2]).max() < 1e-9
    assert abs(one.root_motion.heading[0]) < 1e-9


def test_a_range_can_be_the_loop_itself(take):
    (one,) = make(take, clip(start='"240f"', stop='"306f"', more="loop = true\nsearch = false"))
    assert one.source_range == (240, 307)
    assert one.candidate is not None
    assert (one.candidate.start, one.candidate.end) == (240, 306)
    assert one.candidate.gap_cm < 2
    bad_clip = clip(start='"240f"', stop='"290f"', more="loop = true\nsearch = false")
    (bad,) = make(take, f'{bad_clip}[loop]\nbad_seam = "keep"')
    assert bad.source_range == (240, 291)
    assert bad.candidate is not None
    assert bad.candidate.gap_cm > 5 * one.candidate.gap_cm


def test_a_bad_seam_is_refused_with_what_limits_it_and_the_next(take):
    bad = clip(start='"240f"', stop='"310f"', more="loop = true\nsearch = false")
    worse = clip(start='"240f"', stop='"290f"', more="loop = true\nsearch = false")
    assert make(take, bad)[0].candidate is not None
    with pytest.raises(SeamError, match=r"frames 240 to 290 of the take, is bad: .* cm off\. ") as told:
        make(take, worse)
    assert "bad_seam" in str(told.value)


def test_a_refusal_names_the_next_seams_of_its_range(take):
    bad = clip(start='"240f"', stop='"340f"', more="loop = true\nsearch = false\nkind = 'locomotion'")
    with pytest.raises(SeamError, match=r"The next: \d+ to \d+ \(good, ") as told:
        make(take, bad)
    start, end = map(int, str(told.value).partition("The next: ")[2].partition(" (")[0].split(" to "))
    again = "loop = true\nsearch = false\nkind = 'locomotion'"
    (good,) = make(take, clip(start=f'"{start}f"', stop=f'"{end}f"', more=again))
    assert good.candidate is not None
    assert good.candidate.quality == "good"


def test_a_bad_seam_becomes_a_one_shot_where_the_recipe_says_so(take):
    bad = clip(start='"240f"', stop='"290f"', more="loop = true\nsearch = false")
    (one,) = make(take, f'{bad}[loop]\nbad_seam = "one_shot"')
    assert (one.loop, one.candidate, one.source_range) == (False, None, (240, 291))


def test_no_suggested_loop_is_refused_by_what_makes_it(take):
    """Each with its range as `cuts --toml` writes it, and each seam that the search lists by itself."""
    recipe = Recipe()
    loops = [cut for cut in suggest_take_cuts(take, recipe) if cut.loop]
    assert loops
    for cut in loops:
        spec = ClipSpec.from_cut(cut)
        seam = cut_clip.cut_clip(take, spec, recipe).candidate
        assert seam is not None
        assert seam.quality in ("good", "fair")
        ends = {"start": Moment(seam.start, True), "stop": Moment(seam.end, True), "search": False}
        assert cut_clip.cut_clip(take, replace(spec, **ends), recipe).candidate == replace(seam, note="")


def test_a_range_without_a_loop_says_so(take):
    with pytest.raises(RecipeError, match=r"clip 'a': .*shortest loop"):
        make(take, clip(start="1", stop="1.2", more="loop = true"))


def test_clips_may_overlap(take):
    first, second = make(take, clip("a", "1", "5") + clip("b", "3", "6"))
    assert first.source_range == (60, 301)
    assert second.source_range == (180, 361)
    joints = slice(2, None)  # below the hips, which stand elsewhere in each clip
    shared = first.motion.rotations[120:, joints], second.motion.rotations[:121, joints]
    assert quat.angle_between(*shared).max() < 1e-9


def test_stretches_are_joined_to_one_idle():
    text = (
        '[[clip]]\nname = "long"\ntake = "rest"\nstretches = [[1.0, 5.0], ["360f", "630f"]]\n'
        'loop = true\nroot_motion = "in_place"\nkind = "idle"\n'
    )
    one = clip_takes.make(text, "rest")["long"]
    assert one.stretches == ((60, 301), (360, 631))
    assert one.source_range == (60, 631)
    assert one.motion.duration_s > 4.5
    assert one.candidate is not None
    assert one.candidate.end - one.candidate.start + 1 == len(one.motion)
    seam = measure_seam(one.motion, one.body)
    assert seam.pose_m < 1e-6
    steps = np.linalg.norm(np.diff(one.motion.model()[1], 2, axis=0), axis=-1).max(axis=-1)
    assert steps.max() < 1e-3, "no jump at the joins"
    with pytest.raises(RecipeError, match=r"clip 'long': a stretch of 1.00 s is too short"):
        clip_takes.make(text.replace("[1.0, 5.0]", "[1.0, 2.0]"), "rest")
    with pytest.raises(RecipeError, match=r"clip 'long': from 1 s to 50 s leaves the take"):
        clip_takes.make(text.replace("[1.0, 5.0]", "[1.0, 50.0]"), "rest")


def test_joined_stretches_have_contacts_of_their_own():
    """Standing before and after a walk: the feet never leave the floor in what is made of it."""
    text = '[[clip]]\nname = "a"\ntake = "stroll"\nstretches = [[0.1, 1.8], [10.1, 11.7]]\n'
    one = clip_takes.make(text + 'kind = "idle"', "stroll")["a"]
    assert len(one.contacts.heel) == len(one.motion) > 140
    assert one.contacts.planted.all()
    assert one.events == ()
