"""What a take was read as, and what of it no body can be."""

from __future__ import annotations

import json

import numpy as np
import pytest

import forms
import open_data
import synthetic
from takemill.base.errors import InputError
from takemill.body.body_map import find_body_map
from takemill.body.intake import Intake, IntakeSettings, expect_plausible, find_intake
from takemill.body.motion import Motion
from takemill.body.reference_pose import with_frame_as_reference, with_reference_of
from takemill.files.bvh import format_bvh, parse_bvh, write_bvh
from takemill.maths import quat
from takemill.shell import cli


def intake_of(motion: Motion) -> Intake:
    found = find_intake(motion, find_body_map(motion.skeleton), 0.01, "Y")
    assert found is not None
    return found


def moved(motion: Motion, shift) -> Motion:
    return motion.with_translation(0, motion.root_translation + np.array(shift))


def tilted(motion: Motion) -> Motion:
    """On the back, 0.12 m over the floor."""
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(quat.from_axis_angle(np.array([-1.0, 0, 0]), np.pi / 2), rotations[:, 0])
    path = motion.root_translation * [1, 1, 0] + [0, 0, 0.12]
    return motion.with_rotations(rotations).with_translation(0, path)


def test_a_walk_is_told_in_one_line():
    """synthetic.walk: 1.75 m by its bones' sum, facing -Y, hips over a floor at 0."""
    walk = synthetic.walk(steps=4).motion
    found = intake_of(walk)
    assert found.problems == ()
    assert found.sure == "sure"
    assert abs(found.facing_deg) < 1.0
    assert found.floor_m == pytest.approx(0.0, abs=0.02)
    legs = [walk.skeleton.index(f"{side}_upper_leg") for side in ("left", "right")]
    hips = walk.model()[1][:, legs, 2].mean(axis=1)
    assert found.hips_m == pytest.approx(np.median(hips), abs=0.03)
    line = found.line()
    for word in ("unit cm", "Y up", "faces -Y", "m tall", "above the floor", "reference pose: rest", "sure"):
        assert word in line
    assert "\n" not in line


@pytest.mark.parametrize(
    ("change", "word"),
    [
        (tilted, "above the feet"),
        (lambda motion: moved(motion, [0, 0, 0.7]), "0.70 m above height 0"),
        (lambda motion: moved(motion, [3, 0, -0.9]), "0.90 m below height 0"),
    ],
)
def test_what_no_body_on_a_floor_can_be_is_a_problem(change, word):
    found = intake_of(change(synthetic.idle(duration_s=3).motion))
    assert any(word in problem for problem in found.problems)
    assert found.sure == "unsure"
    with pytest.raises(InputError, match="accept = true") as caught:
        expect_plausible(found, "idle", IntakeSettings())
    assert "idle: " in str(caught.value)
    expect_plausible(found, "idle", IntakeSettings(accept=True))


def test_limits_are_those_that_are_told():
    """Issue 12: hips under 0.3 leg, a floor off by more than 0.5 m, a height outside of 0.3 to 4.5 m."""
    idle = synthetic.idle(duration_s=3).motion
    for off in (-0.45, 0.45):
        assert intake_of(moved(idle, [0, 0, off])).problems == ()
    text = format_bvh(idle)
    for unit_m, fine in ((0.01, True), (0.0254, True), (0.03, False), (0.0018, True), (0.0015, False)):
        motion, _ = parse_bvh(text, unit_m=unit_m, up="Y")
        tall = [one for one in intake_of(motion).problems if "tall" in one]
        assert bool(tall) != fine


def test_a_performer_of_175_metres_is_seen():
    """Blender's BVH importer takes file units for metres by default: a body in centimetres is 175 m tall."""
    motion, _ = parse_bvh(format_bvh(synthetic.idle(duration_s=2).motion), unit_m=1.0, up="Y")
    assert any("bodies are 0.3 to 4.5" in problem for problem in intake_of(motion).problems)


@pytest.mark.parametrize("height_m", [1.0, 1.3, 1.75, 2.2, 3.2])
@pytest.mark.parametrize("unit", ["m", "cm", "mm"])
def test_children_and_giants_are_as_tall_as_they_are(height_m, unit):
    """In the usual units from 1.0 m to 3.2 m; beyond, metres and feet cannot be told apart (below)."""
    walk = forms.plain(synthetic.walk(steps=3).motion)
    found = parse_bvh(forms.bvh_text(walk))[0]
    factor = height_m / intake_of(found).height_m
    grown = forms.grown(walk, factor)
    motion, layout = parse_bvh(forms.bvh_text(grown, unit=unit))
    assert layout.unit_m == pytest.approx(forms.UNITS[unit])
    assert intake_of(motion).height_m == pytest.approx(height_m, rel=0.01)


@pytest.mark.parametrize(("height_m", "said"), [(3.2, False), (3.6, True), (4.2, True)])
def test_a_giant_in_metres_who_may_be_a_child_in_feet_is_asked_for(height_m, said, tmp_path, capsys):
    """What is assumed is said at every verb, with the way to say otherwise; then nothing is asked."""
    walk = forms.plain(synthetic.walk(steps=3).motion)
    factor = height_m / intake_of(parse_bvh(forms.bvh_text(walk))[0]).height_m
    path = tmp_path / "giant.bvh"
    path.write_text(forms.bvh_text(forms.grown(walk, factor), unit="m"))
    assert cli.main(["check", str(path)]) == 0
    out = capsys.readouterr().out
    question = f"taken for feet, which makes the body {height_m * 0.3048:.2f} m tall; if it is metres"
    assert (question in out) == said
    assert cli.main(["check", str(path), "--unit-m", "1"]) == 0
    out = capsys.readouterr().out
    assert "taken for feet" not in out
    assert f"{height_m:.2f} m tall" in out


def test_hands_that_walk_are_told():
    crawl, _ = open_data.humanoid3d("crawl")
    assert any("hands are as low as the feet" in problem for problem in intake_of(crawl).problems)


def test_sides_that_are_named_the_wrong_way_round_are_told():
    walk = synthetic.walk(steps=4).motion
    swap = {"left": "right", "right": "left"}
    names = tuple(
        swap[word] + name[len(word) :] if (word := name.split("_")[0]) in swap else name
        for name in walk.skeleton.names
    )
    text = forms.bvh_text(forms.replace(forms.plain(walk), names=names))
    assert any("exchanged" in problem for problem in intake_of(parse_bvh(text)[0]).problems)


def test_a_run_alone_says_that_it_holds_no_upright_moment():
    run = forms.plain(open_data.repeated(open_data.humanoid3d("run")[0], 3))
    parts = find_body_map(open_data.humanoid3d("run")[0].skeleton).joints
    lost = forms.resting(run, forms.POSES["random turns"](run, parts))
    motion, _ = parse_bvh(forms.bvh_text(lost))
    assert any("no upright moment" in problem for problem in intake_of(motion).problems)
    walk = forms.plain(open_data.humanoid3d("walk")[0])
    other, _ = parse_bvh(forms.bvh_text(forms.resting(walk, forms.POSES["random turns"](walk, parts))))
    helped = with_reference_of(motion, other.skeleton, "walk.bvh")
    assert intake_of(helped).problems == ()
    assert intake_of(helped).reference == "walk.bvh"


def test_a_frame_can_be_named_and_must_be_there():
    walk = synthetic.walk(steps=4).motion
    named = with_frame_as_reference(walk, 7)
    assert intake_of(named).reference == "frame 7"
    np.testing.assert_allclose(
        named.skeleton.reference_model[1] - named.skeleton.reference_model[1][0],
        walk.model()[1][7] - walk.model()[1][7, 0],
        atol=1e-12,
    )
    with pytest.raises(InputError, match="no frame"):
        with_frame_as_reference(walk, len(walk))


@pytest.mark.parametrize("wrong", [{"up": "W"}, {"unit_m": 0.0}, {"unit_m": float("nan")}])
def test_settings_that_make_no_sense_are_refused(wrong):
    with pytest.raises(InputError, match="intake"):
        IntakeSettings(**wrong)


# On the command line ------------------------------------------------------------------------------


@pytest.fixture
def high(tmp_path):
    """A take that stands 0.8 m above the floor."""
    write_bvh(tmp_path / "high.bvh", moved(synthetic.walk(steps=6).motion, [0, 0, 0.8]))
    return tmp_path / "high.bvh"


def test_pack_stops_and_says_what_to_do(high, tmp_path, capsys):
    assert cli.main(["pack", str(high), "--out", str(tmp_path / "set")]) == 2
    said = capsys.readouterr().err
    assert "0.80 m above height 0" in said
    assert "accept = true" in said
    assert not (tmp_path / "set").exists()


def test_verify_fails_for_a_take_that_is_no_body_on_a_floor(high, tmp_path, capsys):
    (tmp_path / "r.toml").write_text("[intake]\naccept = true\n", encoding="utf-8")
    out = str(tmp_path / "set")
    assert cli.main(["pack", str(high), "--out", out, "--recipe", str(tmp_path / "r.toml")]) == 0
    assert cli.main(["verify", out, str(high), "--recipe", str(tmp_path / "r.toml")]) == 0
    capsys.readouterr()
    assert cli.main(["verify", out, str(high)]) == 1
    assert "0.80 m above height 0" in capsys.readouterr().out


def test_check_finds_it_and_json_tells_it(high, capsys):
    assert cli.main(["check", str(high), "--json"]) == 0
    (take,) = json.loads(capsys.readouterr().out)["takes"]
    assert take["intake"]["floor_m"] == pytest.approx(0.8, abs=0.02)
    assert take["intake"]["unit_m"] == 0.01
    assert [one["kind"] for one in take["findings"]].count("intake") == 1


@pytest.mark.parametrize("verb", ["check", "cuts", "loops", "repair"])
def test_every_verb_begins_with_the_line(verb, high, tmp_path, capsys):
    more = ["-o", str(tmp_path / "out.bvh")] if verb == "repair" else []
    assert cli.main([verb, str(high), *more]) == 0
    first = capsys.readouterr().out.splitlines()[0]
    assert first.startswith("high: unit cm, Y up, faces ")


@pytest.mark.parametrize(
    ("asked", "said"), [("1.0", "frame 120"), ("7f", "frame 7"), ("other.bvh", "other.bvh"), ("rest", "rest")]
)
def test_a_reference_can_be_named(asked, said, tmp_path, capsys):
    walk = synthetic.walk(steps=4).motion
    for name in ("walk", "other"):
        write_bvh(tmp_path / f"{name}.bvh", walk)
    assert cli.main(["check", str(tmp_path / "walk.bvh"), "--reference", asked]) == 0
    assert f"reference pose: {said}" in capsys.readouterr().out.splitlines()[0]
    (tmp_path / "r.toml").write_text(f'[intake]\nreference = "{asked}"\n', encoding="utf-8")
    assert cli.main(["check", str(tmp_path / "walk.bvh"), "--recipe", str(tmp_path / "r.toml")]) == 0
    assert f"reference pose: {said}" in capsys.readouterr().out.splitlines()[0]


@pytest.mark.parametrize("asked", ["soon", "99999f", "missing.bvh"])
def test_a_reference_that_is_not_there_is_refused(asked, tmp_path, capsys):
    write_bvh(tmp_path / "walk.bvh", synthetic.walk(steps=2).motion)
    assert cli.main(["check", str(tmp_path / "walk.bvh"), "--reference", asked]) == 2
    assert capsys.readouterr().err.startswith("takemill: ")
