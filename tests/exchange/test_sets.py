"""Whole sets, in every parting of their files, before the Khronos glTF validator."""

from __future__ import annotations

import pytest

import rigs
import small_takes
from node_parties import validator_issues
from takemill.shell import cli

pytestmark = pytest.mark.once

RECIPE = 'files = "{files}"\n' + "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("stand", 0, 1.9, "true", "in_place"),
        ("set off", 1.5, 4, "false", "keep"),
    )
)


@pytest.mark.parametrize("files", ["one", "each", "separate"])
def test_no_file_of_a_set_gives_the_validator_anything_to_say(files, tmp_path):
    """No errors, no warnings, no infos and no hints, with the extras that clips carry."""
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(RECIPE.format(files=files))
    out = tmp_path / "set"
    assert cli.main(["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--out", str(out)]) == 0
    glbs = sorted(out.rglob("*.glb"))
    assert len(glbs) == {"one": 1, "each": 3, "separate": 4}[files]
    for glb in glbs:
        assert [issue["code"] for issue in validator_issues(glb.read_bytes())] == [], glb.name


@pytest.mark.parametrize("files", ["one", "separate"])
def test_sets_of_characters_too(files, tmp_path):
    """In a file of centimetres, its mesh below the skeleton's object, with the root joint that it gets."""
    take = small_takes.write(tmp_path)
    (tmp_path / "r.toml").write_text(RECIPE.format(files=files))
    rig = tmp_path / "walker.glb"
    glb = rigs.character(small_takes.longer_arms().skeleton, scale=(0.01, 0.01, 0.01))
    rig.write_bytes(rigs.changed(glb, rigs.nest))
    given = ["pack", str(take), "--recipe", str(tmp_path / "r.toml"), "--to", str(rig)]
    assert cli.main([*given, "--out", str(tmp_path / "set")]) == 0
    for glb in (tmp_path / "set").rglob("*.glb"):
        assert [issue["code"] for issue in validator_issues(glb.read_bytes())] == [], glb.name
