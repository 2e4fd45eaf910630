"""A set of clips on disk, read back by readers that share nothing with the writer."""

from __future__ import annotations

import hashlib
import json
import os
from dataclasses import replace
from pathlib import Path

import jsonschema
import numpy as np
import pytest

import glb_reader
import small_takes
import synthetic
from takemill.base.errors import FileError, GlbError, InputError, RecipeError
from takemill.clip.events import Event
from takemill.files import glb
from takemill.pipeline import stages
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets import clip_set
from takemill.sets.clip_set import planted_joints
from takemill.sets.verify import verify_set

SCHEMA = json.loads(Path(clip_set.__file__).with_name("clips.schema.json").read_bytes())
RECIPE = """
rate = 30
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
[[clip]]
name = "set off"
from = 1.5
to = 4
[[clip]]
name = "stand"
from = 0
to = 1.9
loop = true
root_motion = "in_place"
"""


class Made:
    """A prepared take, its clips and their base, made once."""

    def __init__(self) -> None:
        motion = small_takes.stand_and_walk()
        self.recipe = parse_recipe(RECIPE)
        self.take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), self.recipe)
        self.clips = stages.make_set(self.take, self.recipe)
        self.base = glb.skeleton_glb(self.clips[0].motion.skeleton)

    def write(self, folder, clips=None, **changes) -> list[dict]:
        parts = {
            "base_glb": self.base,
            "name": "ferry",
            "takes": [self.take],
            "recipe": self.recipe,
        } | changes
        return clip_set.write_clip_set(folder, clips=self.clips if clips is None else clips, **parts)


@pytest.fixture(scope="module")
def made() -> Made:
    return Made()


@pytest.fixture(scope="module")
def folder(made, tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("sets") / "ferry"
    made.write(folder)
    return folder


def said(folder: Path) -> dict:
    return json.loads((folder / "clips.json").read_bytes())


def test_the_schema_is_one_and_the_set_keeps_it(folder):
    jsonschema.Draft202012Validator.check_schema(SCHEMA)
    jsonschema.validate(said(folder), SCHEMA)


def test_the_schema_names_everything():
    """Each object of the schema either lists its keys, or says what any key holds; each key is explained."""

    def walk(part):
        if isinstance(part, dict):
            if "properties" in part and "type" in part:
                assert set(part["required"]) == set(part["properties"])
                assert part["additionalProperties"] is False
                assert [key for key, one in part["properties"].items() if "description" not in one] == []
            for one in part.values():
                walk(one)

    walk(SCHEMA)


def test_files_are_what_the_list_says(folder):
    files = said(folder)["files"]
    assert sorted([*(file["name"] for file in files), "clips.json"]) == sorted(os.listdir(folder))
    for file in files:
        data = (folder / file["name"]).read_bytes()
        assert (file["bytes"], file["sha256"]) == (len(data), hashlib.sha256(data).hexdigest())


def test_extras_carry_the_same_facts(folder):
    animations = glb_reader.read_glb((folder / "ferry.glb").read_bytes()).json["animations"]
    assert {one["name"]: one["extras"] for one in animations} == {
        clip["name"]: clip for clip in said(folder)["clips"]
    }


def test_played_clips_are_where_the_dense_ones_are(folder, made):
    """By a player of the tests' own, at 30 random times each: within the recipe's 0.5 mm."""
    file = glb_reader.read_glb((folder / "ferry.glb").read_bytes())
    rng = np.random.default_rng(3)
    for clip, facts in zip(made.clips, said(folder)["clips"], strict=True):
        assert file.duration_s(clip.name) == pytest.approx(facts["duration_s"], abs=1e-6)
        frames = np.concatenate([[0, len(clip.motion) - 1], rng.uniform(0, len(clip.motion) - 1, 30)])
        right = clip.motion.sampled(frames, clip.motion.rate).model()[1]
        played = file.positions(clip.name, frames / clip.motion.rate, clip.motion.skeleton.names)
        assert np.linalg.norm(played - right, axis=-1).max() < 0.00051
        assert facts["keys"]["max_error_mm"] <= 0.5


def test_travel_is_what_the_root_node_does(folder):
    """The offset of a root clip, in glTF's axes, is where its root node ends in the file."""
    file = glb_reader.read_glb((folder / "ferry.glb").read_bytes())
    root = file.node(said(folder)["skeleton"]["root"])
    for clip in said(folder)["clips"]:
        end = file.world_at(clip["name"], clip["duration_s"])[root]
        moved = clip["root_motion"]["mode"] == "root"
        assert clip["root_motion"]["joint"] == (said(folder)["skeleton"]["root"] if moved else None)
        offset = np.array(clip["root_motion"]["offset_m"]) * moved
        np.testing.assert_allclose(end[:3, 3], offset, atol=0.0006)
        if moved and clip["name"] == "walk":
            speed = 12 * 0.5 / (12.5 * 0.55)  # what synthetic.walk does between its ramps
            assert clip["root_motion"]["speed_m_s"] == pytest.approx(speed, rel=0.005)
            assert clip["root_motion"]["offset_m"][2] == pytest.approx(speed * clip["duration_s"], rel=0.01)


def test_marks_and_contacts_tell_the_same(folder):
    for clip in said(folder)["clips"]:
        for event in clip["events"]:
            assert event["time_s"] == pytest.approx(event["frame"] / clip["rate"], abs=1e-6)
            assert event["phase"] == pytest.approx(event["time_s"] / clip["duration_s"], abs=1e-5)
            foot, way = event["name"].split(".")
            edges = [edge[way == "up"] for edge in clip["contacts"][foot]]
            assert event["frame"] in edges or clip["loop"]
    walk = said(folder)["clips"][0]
    assert sorted(event["name"] for event in walk["events"]) == sorted(
        f"{foot}.{event}" for foot in ("leftFoot", "rightFoot") for event in ("down", "up")
    )


def test_sources_and_gaps(folder, made):
    data = said(folder)
    assert data["takes"][0]["sha256"] == made.take.digest
    for clip in data["clips"]:
        assert clip["source"]["sha256"] == made.take.digest
        start, stop = clip["source"]["frames"]
        half = 0.5 / 30 + 1e-6  # of a frame, and what is left out of the list's numbers
        assert (stop - 1 - start) / 60 == pytest.approx(clip["duration_s"], abs=half)
    gaps = data["gaps"]
    assert gaps["clips"] == ["walk", "set off", "stand"]
    assert {np.shape(gaps[unit]) for unit in ("cm", "deg", "cm_s")} == {(3, 3)}
    assert gaps["cm"][0][0] == pytest.approx(0, abs=0.01)  # a closed loop follows itself
    assert gaps["cm"][2][1] < gaps["cm"][2][0]
    assert gaps["cm_s"][2][1] < gaps["cm_s"][2][0]
    joints = made.clips[0].motion.skeleton.names
    for a, b in np.ndindex(3, 3):  # joints that are not apart are no worst ones
        worst = gaps["worst"][a][b]
        assert set(worst) <= set(joints)
        assert len(set(worst)) == len(worst)
        assert len(worst) == 3 or gaps["cm"][a][b] < 0.01


def test_the_same_input_gives_the_same_bytes(made, folder, tmp_path, monkeypatch):
    monkeypatch.setenv("TZ", "Asia/Tokyo")
    monkeypatch.chdir(tmp_path)
    made.write("another place")
    for name in os.listdir(folder):
        assert (tmp_path / "another place" / name).read_bytes() == (folder / name).read_bytes(), name


def test_a_new_set_replaces_the_old_and_leaves_other_files(made, tmp_path):
    made.write(tmp_path / "set")
    (tmp_path / "set" / "ferry.glb.import").write_text("an engine's")
    made.write(tmp_path / "set", clips=made.clips[:1], name="boat")
    assert sorted(os.listdir(tmp_path / "set")) == [
        "boat.glb", "clips.json", "ferry.glb.import", "report.html"
    ]  # fmt: skip
    assert [clip["name"] for clip in said(tmp_path / "set")["clips"]] == ["walk"]


@pytest.mark.parametrize("files", ["each", "separate"])
def test_clips_in_files_of_their_own_play_the_same(made, folder, tmp_path, files):
    made.write(tmp_path / "set", recipe=replace(made.recipe, files=files))
    jsonschema.validate(said(tmp_path / "set"), SCHEMA)
    wrong, verdicts = verify_set(tmp_path / "set", {clip.name: clip.motion for clip in made.clips})
    assert wrong == ()
    assert [one.problems for one in verdicts] == [(), (), ()]
    whole = glb_reader.read_glb((folder / "ferry.glb").read_bytes())
    names = made.clips[0].motion.skeleton.names
    for clip in said(tmp_path / "set")["clips"]:
        assert clip["file"] == (f"{clip['name']}.glb" if files == "each" else f"clips/{clip['name']}.glb")
        one = glb_reader.read_glb((tmp_path / "set" / clip["file"]).read_bytes())
        assert [animation["name"] for animation in one.json["animations"]] == [clip["name"]]
        assert ("meshes" in one.json, "skins" in one.json) == ((files == "each",) * 2)
        times = np.linspace(0, clip["duration_s"], 7)
        there, here = (file.positions(clip["name"], times, names) for file in (whole, one))
        np.testing.assert_array_equal(there, here)
    if files == "separate":
        assert (tmp_path / "set" / "ferry.glb").read_bytes() == made.base
    made.write(tmp_path / "set")  # and back: nothing of the other layout stays
    assert sorted(os.listdir(tmp_path / "set")) == ["clips.json", "ferry.glb", "report.html"]


def test_clips_without_a_known_take(made, tmp_path):
    facts = made.write(tmp_path / "set", takes=[])
    assert all(clip["source"]["sha256"] is None for clip in facts)
    jsonschema.validate(said(tmp_path / "set"), SCHEMA)


def test_clips_can_be_placed_in_the_space_of_the_base(made, tmp_path):
    seen = []

    def place(clip):
        seen.append(clip.name)
        return clip

    made.write(tmp_path / "set", place=place)
    assert seen == [clip.name for clip in made.clips]


OTHER = synthetic.walk(rate=60).motion
REFUSED = {
    "no clips": (lambda _: {"clips": []}, InputError, "at least one clip"),
    "one name twice": (
        lambda made: {"clips": [made.clips[0], replace(made.clips[1], name="Walk")]},
        RecipeError,
        "two clips are called 'Walk'",
    ),
    "an illegal name": (
        lambda made: {"clips": [replace(made.clips[0], name="a/b")]}, RecipeError, "'a/b' holds '/'"
    ),
    "a long name": (
        lambda made: {"clips": [replace(made.clips[0], name="x" * 255)]}, RecipeError, "takes 255 bytes"
    ),
    "unheard-of files": (
        lambda made: {"recipe": replace(made.recipe, files="two")}, InputError, "one of one, each, separate"
    ),
    "an illegal name of the set": (lambda _: {"name": "con"}, RecipeError, "name of the set"),
    "two skeletons": (
        lambda made: {"clips": [made.clips[0], replace(made.clips[1], motion=OTHER)]},
        InputError,
        "other joints than 'walk'",
    ),
    "another base": (lambda _: {"base_glb": glb.skeleton_glb(OTHER.skeleton)}, GlbError, "no joint 'root'"),
    "a base that is none": (lambda _: {"base_glb": b"not a GLB"}, GlbError, "GLB"),
}  # fmt: skip


@pytest.mark.parametrize("what", REFUSED)
def test_what_cannot_be_a_set_writes_nothing(made, tmp_path, what):
    change, error, message = REFUSED[what]
    with pytest.raises(error, match=message):
        made.write(tmp_path / "set", **change(made))
    assert os.listdir(tmp_path) == []


def test_a_place_that_cannot_be_written(made, tmp_path):
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(FileError, match="cannot write"):
        made.write(tmp_path / "file" / "set")
    assert os.listdir(tmp_path) == ["file"]


def test_hands_are_in_contact_from_strike_to_stop(made):
    clip = made.clips[0]
    events = (Event("leftHand.strike", 5), Event("rightHand.stop", 6), Event("leftHand.stop", 8))
    struck = planted_joints(replace(clip, events=events)) & ~planted_joints(replace(clip, events=()))
    hand = clip.body.require("leftHand")
    want = np.zeros_like(struck)
    want[5:9, clip.motion.skeleton.subtree(hand)] = True
    np.testing.assert_array_equal(struck, want)
