"""A GLB's nodes without a mesh, and skinned meshes at the top of their scene."""

from __future__ import annotations

import pytest

import rigs
import small_takes
from glb_clips import clip_of
from node_parties import validator_issues
from takemill.base.errors import GlbError
from takemill.files.glb import append_animations
from takemill.files.glb_format import parse
from takemill.files.glb_nodes import nodes_only, skins_on_top

MOTION = small_takes.stand_and_walk().slice(0, 3)
FLAT = rigs.character(MOTION.skeleton, scale=(0.01, 0.01, 0.01))
NESTED = rigs.changed(FLAT, rigs.nest)
WARNING = "NODE_SKINNED_MESH_NON_ROOT"


def codes(glb: bytes) -> list[str]:
    return [issue["code"] for issue in validator_issues(glb)]


def test_a_nested_skinned_mesh_comes_to_the_top():
    """The Khronos validator's warning goes; the joints and their order stay."""
    done = skins_on_top(NESTED)
    assert (WARNING in codes(NESTED), codes(done)) == (True, [])
    before, after = parse(FLAT).json, parse(done).json
    assert sorted(after["scenes"][0]["nodes"]) == sorted(before["scenes"][0]["nodes"])
    assert after["nodes"] == before["nodes"]
    assert after["skins"] == before["skins"]


def test_what_needs_no_move_is_the_same_file():
    assert skins_on_top(FLAT) is FLAT
    assert skins_on_top(skins_on_top(NESTED)) == skins_on_top(NESTED)


def test_a_group_that_held_the_mesh_alone_stays_without_a_word_of_the_validator():
    def group(json):
        skinned = next(k for k, node in enumerate(json["nodes"]) if "skin" in node)
        json["scenes"][0]["nodes"].remove(skinned)
        json["scenes"][0]["nodes"].append(len(json["nodes"]))
        json["nodes"].append({"name": "meshes", "children": [skinned]})

    done = skins_on_top(rigs.changed(FLAT, group))
    assert codes(done) == []
    assert parse(done).json["nodes"][-1] == {"name": "meshes", "extras": {}}


def test_meshes_that_carry_or_move_stay():
    """A child would lose its place, and an animation its path."""

    def carry(json):
        rigs.nest(json)
        skinned = next(node for node in json["nodes"] if "skin" in node)
        skinned["children"] = [len(json["nodes"])]
        json["nodes"].append({"name": "lamp", "extras": {}})

    def move(json):
        node = next(k for k, node in enumerate(json["nodes"]) if "skin" in node)
        json["animations"][0]["channels"][0]["target"]["node"] = node

    clip = clip_of("sway", MOTION)
    for glb in (rigs.changed(FLAT, carry), rigs.changed(append_animations(NESTED, [clip]), move)):
        assert skins_on_top(glb) is glb


def test_only_the_scenes_that_show_a_mesh_get_it():
    def more(json):
        rigs.nest(json)
        json["scenes"].append({"name": "empty"})

    scenes = parse(skins_on_top(rigs.changed(FLAT, more))).json["scenes"]
    assert (len(scenes[0]["nodes"]), scenes[1]) == (2, {"name": "empty"})


def test_a_tangle_is_refused_or_left():
    with pytest.raises(GlbError, match="children"):
        skins_on_top(rigs.changed(NESTED, lambda json: json["nodes"][0].update(children=[999])))
    skins_on_top(rigs.changed(NESTED, lambda json: json["nodes"][2].update(children=[0])))


def test_nodes_alone_keep_their_places():
    json = parse(nodes_only(NESTED)).json
    assert codes(nodes_only(NESTED)) == []
    assert [node["name"] for node in json["nodes"]] == [node["name"] for node in parse(NESTED).json["nodes"]]
    assert not {"meshes", "skins", "accessors", "buffers"} & json.keys()
