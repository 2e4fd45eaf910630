"""A list of clips that is edited is told, with and without the takes."""

from __future__ import annotations

import json
import shutil

import pytest

import damaged_sets
from damaged_sets import problems, relist, rewrite
from takemill.sets.verify import verify_set
from takemill.sets.verify_files import file_problems


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with a set, the clips in it, and what its list should say."""
    return damaged_sets.make(tmp_path_factory.mktemp("set") / "set", "[reduce]\nplanted_error_m = 0.0005\n")


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "set")
    return tmp_path / "set"


def leaves(value, place=()):
    """The places of all numbers, words and truths in a JSON value."""
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in parts:
        yield from leaves(part, (*place, key))
    if not isinstance(value, dict | list):
        yield place


def edited(value):
    """Another value of the same type."""
    if isinstance(value, bool) or value is None:
        return not value
    return (
        value + "x"
        if isinstance(value, str)
        else value + (1 if isinstance(value, int) else 0.01 + 0.1 * value)
    )


def edit(said, place):
    holder = said
    for key in place[:-1]:
        holder = holder[key]
    holder[place[-1]] = edited(holder[place[-1]])


def places_of(made) -> list[tuple]:
    said = json.loads((made[0] / "clips.json").read_bytes())
    clips = [("clips", 0, *place) for place in leaves(said["clips"][0])]  # the others are like it
    return clips + [place for place in leaves(said) if place[0] != "clips"]


def test_no_value_of_the_list_can_be_edited_unnoticed(made, folder):
    """Its digest tells of every one."""
    whole, unnoticed = (folder / "clips.json").read_bytes(), []
    for place in places_of(made):
        said = json.loads(whole)
        edit(said, place)
        if not any("it was changed after it was written" in text for text in file_problems(folder, said)):
            unnoticed.append(place)
    relist(folder, lambda said: edit(said, ("clips", 0, "seam", "gap_cm")), seal=False)
    assert "clips.json: it was changed after it was written; pack the set again" in problems(folder)
    assert len(places_of(made)) > 150
    assert unnoticed == []


KNOWN_TO_NOBODY = {"tool", "takes", "name", "files", "sha256"}
"""Of the top: what the clips made again say nothing of; the digest alone guards it."""


@pytest.mark.long
@pytest.mark.once
def test_a_forged_list_is_told_by_what_is_made_again(made, folder):
    """Its digest is right, and the GLB says the same: all that the clips themselves tell is compared."""
    whole, glb_bytes = (folder / "clips.json").read_bytes(), (folder / "set.glb").read_bytes()
    unnoticed = []
    for place in places_of(made):
        relist(folder, lambda said, place=place: edit(said, place))
        if place[0] == "clips":
            new = json.loads((folder / "clips.json").read_bytes())["clips"][0]
            rewrite(folder, lambda text, new=new: text["animations"][0].update(extras=new))
        wrong, verdicts = verify_set(folder, made[1], made[2])
        if not wrong and not any(one.problems for one in verdicts):
            unnoticed.append(place)
        (folder / "clips.json").write_bytes(whole)
        (folder / "set.glb").write_bytes(glb_bytes)
    left = [place for place in unnoticed if place[0] not in KNOWN_TO_NOBODY]
    # What changes by a little within its rounding; nothing else may go unnoticed.
    assert set(left) <= {("clips", 0, "keys", what) for what in ("count", "bytes", "max_error_mm")}
