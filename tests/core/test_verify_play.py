"""What no body could do is a finding: moved, lying, without size, out of place, bad seams."""

from __future__ import annotations

import json
import re
import shutil

import numpy as np
import pytest

import damaged_sets
from damaged_sets import animation, nothing, nudge, problems, relist, rest, rewrite
from takemill.sets.verify import verify_set


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with a set, the clips in it, and what its list should say."""
    return damaged_sets.make(tmp_path_factory.mktemp("set") / "set", "[reduce]\nplanted_error_m = 0.0005\n")


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "set")
    return tmp_path / "set"


def lifted(text: dict) -> None:
    next(node for node in text["nodes"] if node.get("name") == "skeleton")["translation"] = [0.0, 0.4, 0.0]


def test_a_body_that_is_moved_is_told_whatever_the_list_allows(folder, made):
    """The whole body 0.4 m above the floor, and a list that allows half a metre."""
    rewrite(folder, lifted)
    relist(folder, lambda said: said["packing"].update(max_error_m=0.5))
    found = problems(folder)
    assert any("0.4" in text and "m above the floor" in text for text in found), found
    assert any("the set allows its keys to be 500 mm off; more than 5 need" in text for text in found)
    _, verdicts = verify_set(folder, made[1], None, 0.0005)
    assert any("a joint is 400" in text for one in verdicts for text in one.problems), verdicts


def test_the_height_of_a_foot_is_measured_amid_its_contacts(folder):
    """Of the first foot on the list that stands: one frame, an even and an odd number of frames."""
    rewrite(folder, lifted)
    for contact, middle in (([30, 31], 30), ([30, 32], 30), ([30, 33], 31), ([30, 41], 35)):
        relist(
            folder, lambda said, contact=contact: said["clips"][0].update(contacts={"leftFoot": [contact]})
        )
        name = json.loads((folder / "clips.json").read_bytes())["clips"][0]["name"]
        found = [
            text for text in problems(folder) if text.startswith(f"{name}: leftFoot is planted in frame")
        ]
        assert [text.split()[6] for text in found] == [f"{middle},"]


def shifted(clip: str, joint: str, by_m: float):
    """All keys of a joint's places, to a side."""

    def change(text: dict, data: bytearray) -> None:
        sampler = next(
            one["samplers"][channel["sampler"]]
            for one in [animation(text, clip)]
            for channel in one["channels"]
            if channel["target"]["path"] == "translation"
            and text["nodes"][channel["target"]["node"]].get("name") == joint
        )
        for key in range(text["accessors"][sampler["output"]]["count"]):
            nudge("translation", by_m, clip, joint, key)(text, data)

    return change


@pytest.mark.parametrize(
    ("clip", "joint", "by_m", "message"),
    [
        ("walk", "root", 0.4, "walk: its root joint starts 0.400 m from the origin"),
        ("off", "root", -0.02, "off: its root joint starts 0.020 m from the origin"),
        ("pace", "hips", 0.4, "pace: its hips start 0.40 m from the origin"),
        ("drift", "hips", 0.4, "drift: its hips start 0.40 m from the origin"),
    ],
)
def test_a_shift_to_a_side_of_a_whole_clip_is_told_without_the_takes(folder, clip, joint, by_m, message):
    """Feet, seam and way stay as they are; but every clip starts at the origin."""
    rewrite(folder, nothing, shifted(clip, joint, by_m))
    assert message in problems(folder)


def test_a_shift_of_hips_by_less_than_they_sway_needs_the_takes(folder, made):
    """What is not seen: where hips start is known to 0.3 leg lengths."""
    rewrite(folder, nothing, shifted("pace", "hips", 0.1))
    assert problems(folder) == []
    assert any("pace: a joint is 100" in text for text in problems(folder, made[1]))


def test_where_and_how_turned_the_character_stands_in_its_own_scene_does_not_count(folder, made):
    half = np.radians(40) / 2
    rewrite(
        folder, rest("skeleton", translation=[3.0, 0.0, -2.0], rotation=[0, np.sin(half), 0, np.cos(half)])
    )
    assert problems(folder, made[1]) == []


def test_a_body_that_does_not_stand_is_told(folder):
    rewrite(folder, rest("skeleton", rotation=[1.0, 0.0, 0.0, 0.0]))
    assert any("above the floor" in text or "does not stand" in text for text in problems(folder))


@pytest.mark.parametrize(
    ("parts", "message"),
    [
        ({"scale": [0.0, 1.0, 1.0]}, "'spine' .*scaled to nothing at rest"),
        ({"rotation": [0.0, 0.0, 0.0, 0.0]}, "'spine' .*no unit quaternion"),
        ({"rotation": [0.0, 0.0, 0.0, 1e-320]}, "'spine' .*no unit quaternion"),
        ({"scale": [1e-320, 1e-320, 1e-320]}, "'spine' .*scaled to nothing at rest"),
        (
            {"scale": [1e150, 1e150, 1e150]},
            "the scale of node .* is not 3 finite numbers that a float32 holds",
        ),
        ({"translation": [0, float("nan"), 0]}, "the translation of node .* is not 3 finite numbers"),
    ],
)
def test_a_rest_pose_without_size_or_direction_is_a_finding(folder, parts, message):
    rewrite(folder, rest("spine", **parts))
    assert any(re.search(message, text) for text in problems(folder)), problems(folder)


@pytest.mark.parametrize("index", [True, -1, "0", 0.0, [0], 10**6, None])
def test_an_index_that_is_none_is_a_finding(folder, index):
    """Of a child, a joint, a sampler, a node and an accessor."""

    def change(what):
        def do(text):
            clip = animation(text, "off")
            holder, key = {
                "child": (
                    next(one for one in text["nodes"] if len(one.get("children", ())) > 1)["children"],
                    0,
                ),
                "joint": (text["skins"][0]["joints"], 1),
                "sampler": (clip["channels"][0], "sampler"),
                "node": (clip["channels"][0]["target"], "node"),
                "accessor": (clip["samplers"][0], "output"),
            }[what]
            holder[key] = index

        return do

    whole = (folder / "set.glb").read_bytes()
    for what in ("child", "joint", "sampler", "node", "accessor"):
        rewrite(folder, change(what))
        found = problems(folder)
        assert any(re.search("there is no (node|sampler|accessor) ", text) for text in found), (what, found)
        (folder / "set.glb").write_bytes(whole)


def test_an_accessor_that_reaches_a_byte_beyond_its_view_is_a_finding(folder):
    def shorten(text: dict) -> None:
        text["bufferViews"][-1]["byteLength"] -= 1  # of the animations; the last of their values fills it

    rewrite(folder, shorten)
    assert any(re.search("accessor .* leaves its data", text) for text in problems(folder)), problems(folder)


def test_a_deep_chain_is_a_finding(folder):
    def deepen(text):
        first = len(text["nodes"])
        text["nodes"] += [{"name": f"n{k}", "children": [first + k + 1]} for k in range(3000)] + [
            {"name": "end"}
        ]
        text["scenes"][0]["nodes"].append(first)

    rewrite(folder, deepen)
    assert any("a chain of 3001 nodes" in text for text in problems(folder)), problems(folder)


def test_an_animation_without_channels_is_a_finding(folder):
    rewrite(folder, lambda text: animation(text, "off").update(channels=[]))
    assert "off: its animation moves nothing" in problems(folder)


@pytest.mark.parametrize(("stride", "count"), [(0, 2_000_000_000), (4, 100), (0, 3)])
def test_an_accessor_whose_elements_lie_over_each_other_is_a_finding(folder, stride, count):
    def overlay(text):
        text["bufferViews"][-1]["byteStride"] = stride
        index = animation(text, "off")["samplers"][0]["output"]
        text["accessors"][index].update(count=count, bufferView=len(text["bufferViews"]) - 1)

    rewrite(folder, overlay)
    assert any("elements over each other" in text for text in problems(folder)), problems(folder)


def test_a_bad_seam_is_a_finding_whatever_it_is_called(folder):
    relist(folder, lambda said: said["clips"][0]["seam"].update(quality="bad", gap_cm=14.0, gap_cm_s=20.0))
    bad = "walk: its seam is bad: 14 cm and 20 cm/s; choose another range"
    assert bad in problems(folder)
    relist(folder, lambda said: said["clips"][0]["seam"].update(quality="good"))
    assert {bad, "walk: its seam is called good, and is bad"} <= set(problems(folder))
    fast = {"quality": "good", "gap_cm": 7.0, "gap_cm_s": 195.0}
    relist(folder, lambda said: said["clips"][0]["seam"].update(fast))
    assert "walk: its seam is bad: 7 cm and 195 cm/s; choose another range" in problems(folder)
