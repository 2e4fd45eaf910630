"""Sets whose characters' tails swing: in the files, in the list, at the ends, and made again by verify."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import small_takes
import takemill
from rigs import character
from takemill.body.body_map import find_body_map
from takemill.body.skeleton import Skeleton
from takemill.files.glb_read import GlbScene
from takemill.maths import quat
from takemill.pipeline.character_springs import springs_of
from takemill.pipeline.finish_clip import Swinging
from takemill.pipeline.swing_clips import describe_swing, swing_clips
from takemill.recipe.recipe import VariantSpec, parse_recipe
from takemill.recipe.recipe_write import recipe_toml
from takemill.shell import cli

CLIPS = """
neutral = "stand"
blend_frames = 6
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
name = "into"
from = 1.5
to = 5
leads_to = "walk"
[[clip]]
name = "out"
from = 7
to = 11
follows = "walk"
[[clip]]
name = "stand"
from = 0
to = 1.9
loop = true
root_motion = "in_place"
[[variant]]
of = "walk"
mirror = true
[[variant]]
of = "set off"
name = "more"
additive_to = "stand"
"""
CLIPS_OF_ONE = parse_recipe('[[clip]]\nname = "walk"\nfrom = 3.5\nto = 8\nloop = true\n')
SWING = "[characters.fox.springs]\nfind = true\n"


def fox() -> Skeleton:
    """The body of the small takes with a tail of three joints and an end."""
    old = small_takes.stand_and_walk().skeleton
    hips = find_body_map(old).require("hips")
    turn, place = quat.inv(old.rest_model[0][hips]), np.array([0.0, 0.12, 0.02])
    count = len(old)
    steps = [quat.rotate(turn, place), *[quat.rotate(turn, np.array([0.0, 0.15, -0.03]))] * 2]
    return replace(
        old,
        names=(*old.names, "tail_1", "tail_2", "tail_3"),
        parents=(*old.parents, hips, count, count + 1),
        rest_translation=np.concatenate([old.rest_translation, steps]),
        rest_rotation=np.concatenate([old.rest_rotation, [quat.IDENTITY] * 3]),
        tip_joints=(*old.tip_joints, count + 2),
        tip_offsets=np.concatenate([old.tip_offsets, [steps[-1]]]),
    )


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    folder = tmp_path_factory.mktemp("springs")
    small_takes.write(folder)
    (folder / "fox.glb").write_bytes(character(fox()))
    (folder / "r.toml").write_text(CLIPS + SWING)
    (folder / "still.toml").write_text(CLIPS)
    return folder


def run(verb, *more):
    return cli.main([verb, *map(str, more)])


@pytest.fixture(scope="module")
def sets(place):
    """The set with a swinging tail, and the same without."""
    for name, recipe in (("out", "r.toml"), ("plain", "still.toml")):
        words = [
            place / "walk.bvh",
            "--recipe",
            place / recipe,
            "--to",
            place / "fox.glb",
            "--out",
            place / name,
        ]
        assert run("pack", *words) == 0
    return place / "out", place / "plain"


def scene_of(folder):
    path = next(folder.glob("*.glb"))
    return GlbScene(path.read_bytes(), path.name)


def node_of(scene, name):
    return scene.names.index(name)


def worlds_of(folder, clip):
    """The nodes' places (T, N, 4, 4) at the frames of a clip, as the file plays, and the scene."""
    facts, scene = facts_of(folder)[clip], scene_of(folder)
    return scene, scene.worlds(clip, np.arange(facts["frames"]) / facts["rate"])


def tips_of(folder, clip):
    """Where the last tail joint lies (T, 3)."""
    scene, worlds = worlds_of(folder, clip)
    return worlds[:, node_of(scene, "tail_3"), :3, 3]


def local_turns(folder, clip):
    """How the tail's joints turn in their parents' spaces (T, 3, 4)."""
    scene, worlds = worlds_of(folder, clip)
    chain = [node_of(scene, name) for name in ("hips", "tail_1", "tail_2", "tail_3")]
    turns = quat.from_matrix(worlds[:, chain, :3, :3])
    return quat.mul(quat.inv(turns[:, :-1]), turns[:, 1:])


def facts_of(folder):
    return {one["name"]: one for one in json.loads((folder / "clips.json").read_bytes())["clips"]}


def test_the_tail_swings_in_every_clip_and_the_body_does_not_change(sets):
    swung, plain = sets
    for name, facts in facts_of(swung).items():
        tail, still = tips_of(swung, name), tips_of(plain, name)
        if facts["additive"]:
            continue
        assert np.linalg.norm(tail - still, axis=-1).max() > (0.003 if name == "stand" else 0.02), name
        (scene, one), (_, other) = (worlds_of(folder, name) for folder in sets)
        apart = (one - other)[:, node_of(scene, "left_hand"), :3, 3]
        assert np.linalg.norm(apart, axis=-1).max() < 0.002, name  # what thinning the keys may leave


def test_the_list_says_what_swings(sets):
    swung, plain = sets
    want = {"chains": {"tail": ["tail_1", "tail_2", "tail_3"]}, "gap_mm": 0.0}
    for name, facts in facts_of(swung).items():
        assert facts["springs"] == (None if facts["additive"] else want), name
    assert {name: facts["springs"] for name, facts in facts_of(plain).items()} == dict.fromkeys(
        facts_of(plain)
    )


def test_one_shots_begin_and_end_in_the_neutral_clip_s_pose_of_the_tail(sets):
    swung, _ = sets
    rest = local_turns(swung, "stand")[0]
    for end in (0, -1):
        apart = quat.angle_between(local_turns(swung, "set off")[end], rest)
        assert np.degrees(apart).max() < 0.5
    inner = quat.angle_between(local_turns(swung, "set off")[20:-20], rest)
    assert np.degrees(inner).max() > 5


def test_clips_that_meet_a_loop_have_its_tail_there(sets):
    """And the neutral clip's at their other ends."""
    swung, _ = sets
    loop, rest = local_turns(swung, "walk"), local_turns(swung, "stand")[0]
    for clip, end in (("into", -1), ("out", 0)):
        turns = local_turns(swung, clip)
        assert np.degrees(quat.angle_between(turns[end], loop[0])).max() < 0.5
        assert np.degrees(quat.angle_between(turns[-1 - end], rest)).max() < 0.5
        near, there = (turns[-2], loop[-2]) if end else (turns[1], loop[1])
        assert np.degrees(quat.angle_between(near, there)).max() < 2


def test_verify_makes_the_same_tails_again(place, tmp_path, capsys):
    bare = CLIPS.replace('neutral = "stand"\nblend_frames = 6\n', "")
    (tmp_path / "still.toml").write_text(bare)
    (tmp_path / "r.toml").write_text(bare + SWING)
    to = ["--to", place / "fox.glb"]
    words = ["--recipe", tmp_path / "r.toml", *to]
    assert run("pack", place / "walk.bvh", *words, "--out", tmp_path / "out") == 0
    assert run("verify", tmp_path / "out", place / "walk.bvh", *words) == 0
    assert (
        run("pack", place / "walk.bvh", "--recipe", tmp_path / "still.toml", *to, "--out", tmp_path / "out")
        == 0
    )
    capsys.readouterr()
    assert run("verify", tmp_path / "out", place / "walk.bvh", *words) == 1
    assert "springs" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("springs", "message"),
    [
        ("[characters.fox.springs.chains.tail]\nstiffness = 1e6", "stiffness 1e+06 holds its bone"),
        (
            '[characters.fox.springs.chains.a]\nfrom = "tail_1"\n'
            '[characters.fox.springs.chains.b]\nfrom = "tail_2"',
            "chain 'b': joint 'tail_2' is in chain 'a' too",
        ),
        (
            '[characters.fox.springs.chains.tail]\n[characters.fox.springs.colliders.ball]\njoint = "hips"',
            "collider 'ball': its radius is 0",
        ),
    ],
)
def test_springs_that_cannot_be_end_before_the_work(place, tmp_path, capsys, springs, message):
    (tmp_path / "r.toml").write_text(CLIPS + springs)
    words = [place / "walk.bvh", "--recipe", tmp_path / "r.toml", "--to", place / "fox.glb"]
    assert run("pack", *words, "--out", tmp_path / "out") == 2
    said = capsys.readouterr().err.strip()
    assert "[characters.fox.springs]" in said
    assert message in said
    assert len(said.splitlines()[-1:]) == 1
    assert not (tmp_path / "out").exists()


def test_a_recipe_with_springs_is_written_and_read_again():
    text = (
        CLIPS
        + SWING
        + (
            '[characters.fox.springs.chains."left ear"]\nfrom = "ear"\nto = "ear_end"\npreset = "ears"\n'
            "gravity_dir = [0.0, 1.0, 0.0]\nradius = 0.0\n"
            "[characters.fox.springs.chains.tail]\n"
            '[characters.fox.springs.colliders.ball]\njoint = "hips"\ntail = [0.0, 0.1, 0.0]\nradius = 0.1\n'
            "[springs]\nfind = true\n"
        )
    )
    recipe = parse_recipe(text)
    assert parse_recipe(recipe_toml(recipe)) == recipe
    chains = recipe.characters["fox"].springs.chains
    assert (chains["left ear"].first, chains["left ear"].radius) == ("ear", 0.0)
    assert "tail" in chains
    assert recipe.springs.find


def test_nothing_to_swing_leaves_clips_alone():
    assert swing_clips((), springs_of(parse_recipe(SWING).springs, fox(), find_body_map(fox()))) == ()


def test_loops_that_were_mixed_are_said(place):
    (clip,) = (one for one in takemill.make_clips(place / "walk.bvh", CLIPS_OF_ONE) if one.name == "walk")
    assert describe_swing([clip]) == []
    mixed = replace(clip, swinging=Swinging((("tail", ("tail_1",)),), 0.0123))
    (line,) = describe_swing([clip, mixed])
    assert "clip 'walk': its chains do not repeat; two cycles, 12.3 mm" in line
    added = replace(clip, name="more", variant=VariantSpec(of="walk", name="more", additive_to="stand"))
    assert describe_swing([added]) == []
    assert describe_swing([mixed, added])[1] == (
        "without a swing: clip 'more' (it holds differences, which add none)"
    )


def test_springs_of_the_take_s_own_skeleton_swing_there_and_are_said_to_count_for_no_character(
    place, tmp_path, capsys
):
    """The suit of the small takes has no tail: a chain of its neck's end is refused, and said with --to."""
    (tmp_path / "r.toml").write_text(CLIPS + '[springs.chains.hat]\nfrom = "head"\n')
    words = [place / "walk.bvh", "--recipe", tmp_path / "r.toml"]
    assert run("pack", *words, "--out", tmp_path / "own") == 2
    assert "joint 'head' is mapped to head, which the take moves" in capsys.readouterr().err
    assert run("pack", *words, "--to", place / "fox.glb", "--out", tmp_path / "fox") == 0
    assert "[springs] are those of the take's own skeleton" in capsys.readouterr().out
