"""What a repair makes of a path that is missing: what was asked for, and nothing unasked."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import corrupt
import synthetic
from clean_takes import open_motions
from takemill.base.errors import RecipeError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.body.posed import joint_in_model
from takemill.clip.root_motion import find_root_motion
from takemill.files.bvh import read_bvh, write_bvh
from takemill.health.check import check
from takemill.health.table import outcome
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.repair.repair import RepairSettings, repair
from takemill.sets.take_files import intake_of, read_take
from takemill.shell import cli
from without_path import LOSSES, path_error, without_path

BODY = BodyMap.from_names(synthetic.skeleton(), synthetic.parts())
NOISE = replace(corrupt.NONE, white_deg=0.25)
TRUE = synthetic.walk(rate=60.0, steps=8, turn_deg=120.0).motion


def hips(motion: Motion, body: BodyMap = BODY):
    return joint_in_model(motion, body.require("hips"))[1]


@pytest.mark.parametrize("loss", LOSSES)
@pytest.mark.parametrize("asked", ["feet", "auto"])
def test_a_path_that_is_asked_for_is_found_and_said(asked: str, loss: str) -> None:
    lost = without_path(TRUE, loss)
    repaired, findings = repair(lost, BODY, RepairSettings(path_from=asked))
    error = path_error(hips(repaired), hips(TRUE), 60.0)
    assert abs(error.length) < 0.02
    assert error.second_deg < 1.0
    assert np.abs(hips(repaired)[:, 2] - hips(TRUE)[:, 2]).max() < 0.005
    (found,) = (one for one in findings if one.kind == "no_path")
    assert found.repaired
    assert found.amount == pytest.approx(4.0, rel=0.05)
    assert "from the feet" in found.message
    np.testing.assert_allclose(repaired.rotations, lost.rotations, atol=1e-15)
    assert (repaired.rate, repaired.skeleton) == (lost.rate, lost.skeleton)


def test_its_root_motion_is_that_of_the_true_take() -> None:
    repaired, _ = repair(without_path(TRUE, "rotations only"), BODY, RepairSettings(path_from="feet"))
    got, wanted = (find_root_motion(one, BODY) for one in (repaired, TRUE))
    assert got.path_m == pytest.approx(wanted.path_m, rel=0.03)
    assert got.distance_m == pytest.approx(wanted.distance_m, rel=0.03)
    assert got.turn_deg == pytest.approx(wanted.turn_deg, abs=1e-6)
    lost = find_root_motion(without_path(TRUE, "rotations only"), BODY)
    assert lost.path_m < 0.1


def test_all_that_a_take_lost_counts_as_repaired() -> None:
    lost = without_path(TRUE, "rotations only")
    repaired, findings = repair(lost, BODY, RepairSettings(path_from="auto"))
    before, after = check(lost, BODY), check(repaired, BODY)
    kinds = {one.kind: one.repaired for one in outcome(before.findings, after.findings, findings)}
    assert kinds["no_path"]
    assert after.measures["planted_share"] > 0.95
    assert after.measures["skating_cm_s"] < 2.0


@pytest.mark.parametrize("noisy", [False, True])
def test_who_walks_in_place_stays_there_unasked(noisy: bool) -> None:
    """Also in a suit's take, whose path drift is repaired by default; it stands at both ends."""
    lost = without_path(TRUE, "in place")
    lost = corrupt.corrupt(lost, 3, NOISE).motion if noisy else lost
    repaired, findings = repair(lost, BODY)
    assert np.abs(repaired.root_translation - lost.root_translation)[:, :2].max() < (0.03 if noisy else 1e-12)
    assert not {"no_path", "path_drift"} & {one.kind for one in findings}
    assert "no_path" in {one.kind for one in check(repaired, BODY).findings}


@pytest.mark.parametrize("noisy", [False, True])
def test_a_take_with_a_path_is_the_same_with_auto(noisy: bool) -> None:
    walk = open_motions()["walker/turn_left0"].slice(0, 90)
    walk = corrupt.corrupt(walk, 3, NOISE).motion if noisy else walk
    body = find_body_map(walk.skeleton)
    one, other = (repair(walk, body, RepairSettings(path_from=asked)) for asked in ("take", "auto"))
    np.testing.assert_array_equal(one[0].root_translation, other[0].root_translation)
    np.testing.assert_array_equal(one[0].rotations, other[0].rotations)
    assert one[1] == other[1]


def test_a_noisy_take_without_a_path_is_repaired_whole() -> None:
    """Sensors are calmed before; drift of two points is not measured again; feet are pinned after."""
    true = open_motions()["walker/0walk_forward"]
    body = find_body_map(true.skeleton)
    lost = without_path(corrupt.corrupt(true, 3, NOISE).motion, "rotations only")
    repaired, findings = repair(lost, body, RepairSettings(path_from="feet"))
    error = path_error(hips(repaired, body), hips(true, body), true.rate)
    assert abs(error.length) < 0.03
    assert error.second_deg < 5.0
    assert "path_drift" not in {one.kind for one in findings}
    assert check(repaired, body).measures["skating_cm_s"] < 3.5  # the true take: 6.6


def test_without_feet_nothing_is_found() -> None:
    legless = BodyMap({part: joint for part, joint in BODY.joints.items() if "Foot" not in part})
    lost = without_path(TRUE, "in place")
    repaired, findings = repair(lost, legless, RepairSettings(path_from="feet"))
    np.testing.assert_array_equal(repaired.root_translation, lost.root_translation)
    assert "no_path" not in {one.kind for one in findings}


def test_a_recipe_says_it_and_a_wrong_word_is_refused() -> None:
    assert Recipe().repair.path_from == "take"
    assert parse_recipe('[repair]\npath_from = "auto"\n').repair.path_from == "auto"
    with pytest.raises(RecipeError, match=r"path_from.*'take', 'feet', 'auto'"):
        parse_recipe('[repair]\npath_from = "hips"\n')


def test_the_shell_finds_it_and_writes_it(tmp_path, capsys) -> None:
    """A take of rotations only, its root at the origin: said at reading, and repaired where asked for."""
    lost = without_path(TRUE, "rotations only")
    lost = lost.with_translation(0, np.zeros_like(lost.root_translation))
    take, out = tmp_path / "lost.bvh", tmp_path / "found.bvh"
    write_bvh(take, lost)
    assert cli.main(["check", str(take)]) == 0
    said = capsys.readouterr().out
    assert "feet walk about 3.8 m while the hips stay in place" in said.splitlines()[0]
    assert "below height 0" in said, "which a take of rotations only has no say in"
    assert cli.main(["repair", str(take), "-o", str(out), "--path-from", "feet"]) == 0
    assert "below height 0" not in capsys.readouterr().out.splitlines()[1]
    found = read_bvh(out)[0]
    assert path_error(hips(found), hips(TRUE), 60.0).end < 0.02
    assert abs(hips(found)[0, 2] - hips(TRUE)[0, 2]) < 0.005
    with pytest.raises(SystemExit):
        cli.main(["repair", str(take), "-o", str(out), "--path-from", "hips"])


def test_a_take_without_heights_is_packed_where_its_path_is_asked_for(tmp_path, capsys) -> None:
    lost = without_path(TRUE, "rotations only")
    lost = lost.with_translation(0, np.zeros_like(lost.root_translation))
    take = tmp_path / "lost.bvh"
    write_bvh(take, lost)
    assert cli.main(["pack", str(take), "--out", str(tmp_path / "set")]) == 2
    assert "below height 0" in capsys.readouterr().err
    for asked, problems in (("take", 1), ("feet", 0), ("auto", 0)):
        recipe = parse_recipe(f'[repair]\npath_from = "{asked}"\n')
        intake = intake_of(read_take(take, recipe), recipe)
        assert intake is not None
        assert len(intake.problems) == problems
