"""What no body can be is said before any work."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

import small_takes
from takemill.body import intake
from takemill.body.body_map import find_body_map
from takemill.shell import cli


def refused(capsys, tmp_path, motion, *options: str) -> str:
    """What pack says of a take that it refuses."""
    take = small_takes.write(tmp_path, motion=motion)
    assert cli.main(["pack", str(take), "--out", str(tmp_path / "set"), *options]) == 2
    assert not (tmp_path / "set").exists()
    return capsys.readouterr().err


def test_a_body_of_170_metres_is_refused(capsys, tmp_path):
    """Centimetres that are said to be metres."""
    said = refused(capsys, tmp_path, small_takes.stand_and_walk(), "--unit-m", "1")
    assert "m tall, and bodies are 0.3 to 4.5: say metres per file unit with --unit-m" in said


@pytest.mark.parametrize(
    ("unit_m", "way"), [(0.0, "scale it until it is as tall as a body"), (1.0, "--unit-m")]
)
def test_a_size_that_no_body_has_says_what_can_be_done(monkeypatch, unit_m, way):
    """A take whose unit is known cannot be given another one."""
    assert not intake._size(0.31, way) + intake._size(4.4, way)
    for height in (0.29, 4.6):
        (said,) = intake._size(height, way)
        assert said.endswith(way)
    motion = small_takes.stand_and_walk()
    monkeypatch.setattr(intake, "MIN_HEIGHT_M", 3.0)  # now it is a dwarf
    found = intake.find_intake(motion, find_body_map(motion.skeleton), unit_m)
    assert [
        said for said in found.problems if "m tall, and bodies are 3 to 4.5" in said and said.endswith(way)
    ]


def test_a_root_that_goes_12_km_is_refused(capsys, tmp_path):
    motion = small_takes.stand_and_walk()
    far = motion.root_translation * np.array([1000.0, 1000.0, 1.0])
    said = refused(capsys, tmp_path, replace(motion, root_translation=far))
    assert "faster than anybody runs: the root's positions are in another unit than the bones" in said


@pytest.mark.parametrize("name", ["a\x1b[2J", "a\nb", "a\udcff"])
def test_a_take_whose_name_cannot_be_stored_is_refused_at_once(capsys, tmp_path, name):
    take = small_takes.write(tmp_path, f"{name}.bvh")
    for verb in (["check"], ["pack", "--out", str(tmp_path / "set")]):
        assert cli.main([verb[0], str(take), *verb[1:]]) == 2
        said = capsys.readouterr().err
        assert "the file's name is not UTF-8 or holds control characters; rename it" in said
        assert "\x1b" not in said
