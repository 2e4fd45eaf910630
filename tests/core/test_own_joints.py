"""Jaw, ears and props of a character play what its file brings, in the clips of the take beside it."""

from __future__ import annotations

import json
from dataclasses import replace

import numpy as np
import pytest

import small_takes
from rigs import character
from takemill.body.body_map import find_body_map
from takemill.body.skeleton import Skeleton
from takemill.clip.own_joints import OwnJoints, own_of, play_own, rest_motion
from takemill.files.glb_format import ComponentType, Writer, pack, parse
from takemill.files.glb_own_joints import read_own_joints
from takemill.files.glb_read import GlbScene
from takemill.files.glb_rig import read_rig
from takemill.maths import quat
from takemill.recipe.recipe import parse_recipe
from takemill.recipe.recipe_write import recipe_toml
from takemill.sets.verify_own_joints import own_joint_problems
from takemill.shell import cli

RECIPE = """
rate = 30
[[clip]]
name = "walk"
from = 3.5
to = 8
loop = true
root_motion = "in_place"
[[clip]]
name = "set off"
from = 1.5
to = 4
root_motion = "in_place"
[[clip]]
name = "calm"
stretches = [[0, 1.9], [8.6, 10.4]]
root_motion = "in_place"
"""
RATE, SIZE = 60.0, 0.5
OWN = {
    "jaw": ("head", (0.0, -0.05, 0.02)),
    "ear": ("head", (0.07, 0.0, 0.1)),
    "lantern": ("left_hand", (0.0, 0.0, -0.1)),
}


def with_bones(skeleton: Skeleton) -> Skeleton:
    """The skeleton with jaw, ear and lantern."""
    names, parents = list(skeleton.names), list(skeleton.parents)
    places, turns = list(skeleton.rest_translation), list(skeleton.rest_rotation)
    for name, (parent, offset) in OWN.items():
        names.append(name)
        parents.append(skeleton.names.index(parent))
        places.append(np.array(offset))
        turns.append(quat.exp(np.array([0.1, 0.0, 0.2])))
    return Skeleton(
        tuple(names),
        tuple(parents),
        np.array(places),
        np.array(turns),
        skeleton.tip_joints,
        skeleton.tip_offsets,
    )


def angles(seconds) -> np.ndarray:
    """How far jaw, ear and lantern turn from their rest about X, radians (N, 3)."""
    t = np.asarray(seconds)
    return np.stack([0.3 - 0.3 * np.cos(9 * t), 0.5 * np.sin(4 * t), 0.4 * np.sin(2.5 * t)], axis=-1)


def turned(skeleton: Skeleton, seconds) -> np.ndarray:
    """Their local rotations (N, 3, 4)."""
    rest = skeleton.rest_rotation[[skeleton.index(name) for name in OWN]]
    about_x = np.zeros((len(np.atleast_1d(seconds)), 3, 3))
    about_x[..., 0] = angles(np.atleast_1d(seconds))
    return quat.mul(rest, quat.exp(about_x))


def hero() -> bytes:
    """A character of half the size whose file holds `own`: 12 s of jaw, ear, lantern, and of a leg."""
    base = character(with_bones(small_takes.stand_and_walk().skeleton), scale=[SIZE] * 3)
    rest = read_rig(base, "hero").skeleton
    writer = Writer(parse(base))
    names = [node.get("name") for node in writer.json["nodes"]]
    times = np.arange(round(12 * RATE) + 1) / RATE
    clock = writer.add(times, ComponentType.FLOAT, bounds=True)
    leg = quat.mul(
        rest.rest_rotation[rest.index("left_upper_leg")], quat.exp(angles(times)[:, :1] * [1.0, 0, 0])
    )
    keys = dict(zip(OWN, np.swapaxes(turned(rest, times), 0, 1), strict=True)) | {"left_upper_leg": leg}
    tracks = [(name, "rotation", values[:, [1, 2, 3, 0]]) for name, values in keys.items()]
    tracks.append(("lantern", "translation", moved(rest, times) / SIZE))
    animation = {"name": "own", "samplers": [], "channels": []}
    for number, (name, path, values) in enumerate(tracks):
        animation["samplers"].append({"input": clock, "output": writer.add(values, ComponentType.FLOAT)})
        target = {"node": names.index(name), "path": path}
        animation["channels"].append({"sampler": number, "target": target})
    writer.json["animations"] = [animation]
    return pack(writer.finish())


def moved(rest: Skeleton, seconds) -> np.ndarray:
    """Where the lantern hangs (N, 3) on its hand, metres."""
    sway = 0.02 * np.sin(np.atleast_1d(seconds))[:, None] * [1.0, 0.0, 0.0]
    return rest.rest_translation[rest.index("lantern")] + sway


def packed(folder, face: str, clips: str = RECIPE) -> int:
    small_takes.write(folder)
    (folder / "hero.glb").write_bytes(hero())
    (folder / "r.toml").write_text(f"{clips}\n[characters.hero.face]\n{face}")
    words = ["pack", "walk.bvh", "--recipe", "r.toml", "--to", "hero.glb", "--out", "set"]
    return cli.main([str(folder / one) if "." in one or one == "set" else one for one in words])


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    folder = tmp_path_factory.mktemp("own")
    shift = 37.5 / RATE
    assert packed(folder, f'joints = "own"\noffset_s = {shift}') == 0
    (file,) = (folder / "set").glob("*.glb")
    said = json.loads((folder / "set" / "clips.json").read_text(encoding="utf-8"))
    return folder, GlbScene(file.read_bytes(), file.name), {one["name"]: one for one in said["clips"]}, shift


def local(scene: GlbScene, name: str, clip: dict) -> np.ndarray:
    """The matrices (F, 4, 4) of a joint on its parent, without scale, as a player has them."""
    nodes = {scene.names[node]: node for node in range(len(scene.names))}
    worlds = scene.worlds(clip["name"], np.arange(clip["frames"]) / clip["rate"])
    node = nodes[name]
    return np.linalg.inv(worlds[:, scene.parents[node]]) @ worlds[:, node]


def test_they_play_their_own_in_the_clips_of_the_take(made):
    """Each within a degree and half a millimetre, shifted by 37.5 frames, at the clip's own moments."""
    folder, scene, clips, shift = made
    clip, rest = clips["set off"], read_rig(hero(), "hero").skeleton
    seconds = clip["source"]["frames"][0] / 60 + np.arange(clip["frames"]) / clip["rate"] - shift
    for number, name in enumerate(OWN):
        played = local(scene, name, clip)
        right = quat.to_matrix(turned(rest, seconds)[:, number])
        between = np.einsum("fij,fij->f", played[:, :3, :3], right)
        assert np.degrees(np.arccos(np.clip((between - 1) / 2, -1, 1))).max() < 1.5  # [reduce] max_error_deg
        if name == "lantern":
            assert np.abs(SIZE * played[:, :3, 3] - moved(rest, seconds)).max() < 0.0005
    assert {name: round(one["turn_deg"]) > 10 for name, one in clip["own_joints"].items()} == dict.fromkeys(
        OWN, True
    )
    assert clip["own_joints"]["lantern"]["move_m"] > 0.005
    report = (folder / "set" / "report.html").read_text(encoding="utf-8")
    assert "of the character&#x27;s own" in report or "of the character's own" in report


def test_they_repeat_where_the_clip_does(made):
    _, scene, clips, _ = made
    for name in OWN:
        played = local(scene, name, clips["walk"])
        np.testing.assert_allclose(played[-1], played[0], atol=1e-4)
    seconds = np.array([0, clips["walk"]["duration_s"]])
    assert np.abs(np.diff(angles(seconds), axis=0)).max() > 0.01


def test_joined_stretches_have_them_too(made):
    """What the two stretches play, one after the other; between them it goes over without a jump."""
    _, scene, clips, _ = made
    played = local(scene, "jaw", clips["calm"])
    steps = np.abs(np.diff(played[:, :3, :3], axis=0)).max(axis=(1, 2))
    assert clips["calm"]["source"]["stretches"] == [[0, 115], [516, 625]]
    assert steps.max() < 0.12  # 9 x 0.3 radians a second are 0.09 in a frame


def test_the_body_stays_the_takes(made, tmp_path):
    """A leg that the animation moves is the take's: the same as without the animation."""
    _, scene, clips, _ = made
    assert set(clips["walk"]["own_joints"]) == set(OWN)
    assert packed(tmp_path, "") == 0
    (file,) = (tmp_path / "set").glob("*.glb")
    plain = GlbScene(file.read_bytes(), file.name)
    for name in ("left_upper_leg", "head"):
        for clip in clips.values():
            assert np.abs(local(scene, name, clip) - local(plain, name, clip)).max() < 0.02


def test_verify_tells_a_joint_that_plays_something_else(made):
    """The set is ok; a joint that turns by five degrees more, or is not there, is told."""
    folder, scene, clips, _ = made
    again = ["verify", "set", "walk.bvh", "--recipe", "r.toml", "--to", "hero.glb"]
    assert cli.main([str(folder / one) if "." in one or one == "set" else one for one in again]) == 0
    for clip in clips.values():
        assert list(own_joint_problems(clip, scene)) == []
    own = clips["walk"]["own_joints"]
    more = {**clips["walk"], "own_joints": {"jaw": {**own["jaw"], "turn_deg": own["jaw"]["turn_deg"] + 5}}}
    assert "joint 'jaw' turns" in next(own_joint_problems(more, scene))
    gone = {**clips["walk"], "own_joints": {"beak": own["jaw"]}}
    assert "no joint 'beak'" in next(own_joint_problems(gone, scene))


@pytest.mark.parametrize(
    ("face", "words"),
    [
        ('joints = "owl"', "holds no animation 'owl'"),
        ('animation = "own"\njoints = "own"', "moves no shapes of a mesh"),
        ('joint = "own"', "did you mean 'joints'"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_written(tmp_path, capsys, face, words):
    assert packed(tmp_path, face) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "set").exists()


def test_an_animation_of_the_body_alone_is_refused(tmp_path, capsys, monkeypatch):
    """One that moves nothing which the body leaves free is no layer."""
    monkeypatch.setattr("takemill.sets.own_animations.own_of", lambda *_: ())
    assert packed(tmp_path, 'animation = "own"') == 2
    assert "and no joint that the body leaves free" in capsys.readouterr().err


def own_jaw(motion, turn: float) -> OwnJoints:
    turns = {
        motion.skeleton.index(name): lambda s: np.tile(quat.exp(np.array([turn, 0, 0])), (len(s), 1))
        for name in ("jaw", "ear")
    }
    return OwnJoints("own", turns, {})


def test_a_take_that_moves_the_jaw_wins_only_when_asked():
    """The jaw is the character's, with `take_wins` the take's where it moves that; the ear is its own."""
    skeleton = with_bones(small_takes.stand_and_walk().skeleton)
    body = find_body_map(skeleton)
    assert body.joints["jaw"] == skeleton.index("jaw")
    still = rest_motion(skeleton)
    jaw, ear = skeleton.index("jaw"), skeleton.index("ear")
    talking = still.with_joints({jaw: quat.exp(np.array([[0.3, 0, 0]]))})
    own = own_jaw(still, 0.2)
    assert own_of(talking, body, own) == (jaw, ear)
    assert own_of(talking, body, own, take_wins=True) == (ear,)
    assert own_of(still, body, own, take_wins=True) == (jaw, ear)
    np.testing.assert_allclose(
        play_own(talking, body, own).rotations[0, jaw], quat.exp(np.array([0.2, 0, 0]))
    )
    kept = play_own(talking, body, own, take_wins=True)
    np.testing.assert_array_equal(kept.rotations[0, jaw], talking.rotations[0, jaw])
    legs = replace(own, turns={body.joints["leftUpperLeg"]: own.turns[jaw], **own.turns})
    assert own_of(still, body, legs) == (jaw, ear)
    twisted = still.with_joints(
        {ear: quat.exp(np.array([[0.3, 0, 0]]))}
    )  # a joint without a part that a fit moves
    assert own_of(twisted, body, own) == (jaw,)


def test_what_an_animation_holds_still_at_rest_is_not_played():
    data = hero()
    rig = read_rig(data, "hero")
    own = read_own_joints(data, rig, "hero", "own", 0.25)
    names = {rig.skeleton.names[joint] for joint in own.joints}
    assert names == {*OWN, "left_upper_leg"}
    jaw = rig.skeleton.index("jaw")
    right = turned(rig.skeleton, np.array([2.0, 3.0]))[:, 0]
    played = own.turns[jaw](np.array([2.25, 3.25]))
    assert np.abs(np.abs((played * right).sum(axis=1)) - 1).max() < 1e-9


def test_joints_in_a_recipe_are_written_and_read():
    recipe = parse_recipe('[characters.hero.face]\njoints = "own"\ntake_wins = true')
    assert recipe.characters["hero"].face.joints == "own"
    assert parse_recipe(recipe_toml(recipe)) == recipe
