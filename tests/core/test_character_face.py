"""The face of a character: an animation of its file, cut with the clips of the take that it belongs to."""

from __future__ import annotations

import json

import numpy as np
import pytest

import hand_takes
import small_takes
from face_bodies import SHAPES, talk, with_face
from rigs import character
from takemill.base.errors import GlbError, RecipeError
from takemill.files.glb_faces import read_faces
from takemill.files.glb_format import ComponentType, Writer, pack, parse
from takemill.files.glb_read import GlbScene
from takemill.pipeline.character_face import face_offset_s
from takemill.pipeline.prepare_take import prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.recipe.recipe_face import FaceSpec
from takemill.recipe.recipe_write import recipe_toml
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
"""
RATE = 48.0


def talking_character(interpolation: str = "LINEAR") -> bytes:
    """A character whose file holds an animation `talk`, 10 s at 48 keys a second."""
    writer = Writer(parse(with_face(character(small_takes.stand_and_walk().skeleton))))
    times = np.arange(round(10 * RATE) + 1) / RATE
    keys = np.concatenate([talk(times), np.zeros((len(times), 1))], axis=1)
    sampler = {
        "input": writer.add(times, ComponentType.FLOAT, bounds=True),
        "output": writer.add(keys.ravel(), ComponentType.FLOAT),
        "interpolation": interpolation,
    }
    target = {"node": len(writer.json["nodes"]) - 1, "path": "weights"}
    writer.json["animations"] = [
        {"name": "talk", "samplers": [sampler], "channels": [{"sampler": 0, "target": target}]}
    ]
    return pack(writer.finish())


def packed(folder, face: str) -> int:
    small_takes.write(folder)
    (folder / "hero.glb").write_bytes(talking_character())
    (folder / "r.toml").write_text(f"{RECIPE}\n[characters.hero.face]\n{face}")
    words = ["pack", "walk.bvh", "--recipe", "r.toml", "--to", "hero.glb", "--out", "set"]
    return cli.main([str(folder / one) if "." in one or one == "set" else one for one in words])


def test_the_animation_of_a_file_goes_with_the_clips(tmp_path):
    """Shifted by 37.5 of its frames it plays, within 1e-3, what its own keys play that much earlier."""
    shift = 37.5 / RATE
    assert packed(tmp_path, f'animation = "talk"\noffset_s = {shift}') == 0
    (file,) = (tmp_path / "set").glob("*.glb")
    scene = GlbScene(file.read_bytes(), file.name)
    said = json.loads((tmp_path / "set" / "clips.json").read_text())
    clip = next(one for one in said["clips"] if one["name"] == "set off")
    (curve,) = scene.weights["set off"]
    assert curve.names == SHAPES
    take_rate = said["takes"][0]["rate"]
    moments = clip["source"]["frames"][0] / take_rate + np.arange(clip["frames"]) / clip["rate"] - shift
    times = np.arange(round(10 * RATE) + 1) / RATE
    for column, right in zip(curve.values.T, talk(times).T, strict=False):
        played = np.interp(np.arange(clip["frames"]) / clip["rate"], curve.times, column)
        assert np.abs(played - np.interp(moments, times, right)).max() <= 1e-3
    again = ["verify", "set", "walk.bvh", "--recipe", "r.toml", "--to", "hero.glb"]
    assert cli.main([str(tmp_path / one) if "." in one or one == "set" else one for one in again]) == 0


@pytest.mark.parametrize(
    ("face", "words"),
    [
        ('animation = "tlak"', "holds no animation 'tlak'"),
        ('animation = "talk"\ntake = "dusk"', "there is no take 'dusk'"),
        ('animation = "talk"\nclap_s = 1.0', "type the offset instead"),
        ('animations = "talk"', "did you mean 'animation'"),
    ],
)
def test_what_is_wrong_is_said_and_nothing_written(tmp_path, capsys, face, words):
    assert packed(tmp_path, face) == 2
    assert words in capsys.readouterr().err
    assert not (tmp_path / "set").exists()


def test_a_clap_puts_the_face_onto_the_hands():
    """The second that is named falls on a clap of the take, within half a frame of 30 a second."""
    made = hand_takes.clap()
    take = prepare_take("claps", made.motion, made.body, Recipe())
    name, offset = face_offset_s("hero", FaceSpec("talk", clap_s=0.75), [take])
    assert name == "claps"
    assert np.abs(offset + 0.75 - (1.5 + np.arange(5) - 0.03)).min() <= 0.5 / 30
    with pytest.raises(RecipeError, match="which take"):
        face_offset_s("hero", FaceSpec("talk"), [take, take])


def test_weights_that_are_no_straight_lines_are_refused():
    with pytest.raises(GlbError, match="export them as LINEAR"):
        read_faces(talking_character("STEP"), "hero.glb", "talk")


def test_a_face_in_a_recipe_is_written_and_read():
    recipe = parse_recipe(
        '[characters.hero.face]\nanimation = "talk"\ntake = "day"\noffset_s = 0.5\nclap_s = 2.0'
    )
    assert recipe.characters["hero"].face == FaceSpec("talk", "day", 0.5, 2.0)
    assert parse_recipe(recipe_toml(recipe)) == recipe
