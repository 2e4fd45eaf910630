"""Names on the wrong joints: what the tree tells is read right and said; the rest is a finding."""

from __future__ import annotations

import re

import pytest

import open_data
from takemill.body.body_map import find_body_map
from takemill.files.bvh import parse_bvh
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import intake_of, read_take
from takemill.shell import cli

ARM, LEG = ("Shoulder", "Elbow", "Wrist"), ("Hip", "Knee", "Ankle")


def each_side(a: str, b: str) -> dict[str, str]:
    return {side + x: side + y for side in ("Left", "Right") for x, y in ((a, b), (b, a))}


def sides_of(*parts: str) -> dict[str, str]:
    sides = (("Left", "Right"), ("Right", "Left"))
    return {a + part: b + part for part in parts for a, b in sides}


def renamed(names: dict[str, str]) -> str:
    """The second file of bvhtoolbox with some joints' names exchanged."""
    text = open_data.bvh_files()[1].read_text()
    return re.sub(r"\b(ROOT|JOINT) (\S+)", lambda m: f"{m[1]} {names.get(m[2], m[2])}", text)


def read(text: str, tmp_path):
    path = tmp_path / "take.bvh"
    path.write_text(text)
    take = read_take(path, Recipe())
    return take, intake_of(take)


@pytest.mark.parametrize(
    ("exchanged", "parts"),
    [(("Wrist", "Elbow"), ("Hand", "LowerArm")), (("Ankle", "Knee"), ("Foot", "LowerLeg"))],
)
def test_parts_of_a_limb_whose_names_are_exchanged_are_read_by_the_tree_and_said(
    exchanged, parts, tmp_path, capsys
):
    right = find_body_map(parse_bvh(renamed({}))[0].skeleton)
    (motion, body, _), intake = read(renamed(each_side(*exchanged)), tmp_path)
    assert body.joints == right.joints
    assert len(intake.notes) == 4
    said = f"'Left{exchanged[0]}' is read as left{parts[1]}, by where it hangs, though its name says left"
    assert any(said + parts[0] in note for note in intake.notes)
    assert cli.main(["check", str(tmp_path / "take.bvh")]) == 0
    assert said in capsys.readouterr().out
    assert len(motion.skeleton) == len(right.joints)


@pytest.mark.parametrize(
    ("names", "message"),
    [
        (sides_of("Collar", *ARM), "the left arm hangs on the side of what is called the right leg"),
        (sides_of(*LEG), "the left arm hangs on the side of what is called the right leg"),
        (sides_of("Collar", *ARM, *LEG), "feet point and knees bend backwards"),
        (
            {k: v for a, b in zip(ARM, LEG, strict=True) for k, v in each_side(a, b).items()},
            "what is called hands is below what is called feet",
        ),
    ],
    ids=["sides of arms", "sides of legs", "all sides", "arms and legs"],
)
def test_sides_and_limbs_that_are_exchanged_are_findings_and_stop_pack(names, message, tmp_path, capsys):
    _, intake = read(renamed(names), tmp_path)
    assert any(message in problem for problem in intake.problems)
    assert intake.sure == "unsure"
    assert cli.main(["pack", str(tmp_path / "take.bvh"), "--out", str(tmp_path / "set")]) == 2
    assert message in capsys.readouterr().err


@pytest.mark.parametrize("name", [name for name in open_data.HUMANOID3D if name != "crawl"])
def test_nothing_is_said_of_open_motions(name):
    motion, _ = open_data.humanoid3d(name)
    body = find_body_map(motion.skeleton)
    intake = intake_of((motion, body, parse_bvh(renamed({}))[1]))
    assert intake.notes == ()
    assert not [one for one in intake.problems if "called" in one or "exchanged" in one]
