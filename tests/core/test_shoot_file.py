"""Shoot files: which takes they name, whose settings count, and what is refused before any work."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import small_shoots
from rigs import changed
from takemill.base.errors import TakemillError
from takemill.shoot.build_shoot import look_at_shoot
from takemill.shoot.shoot_file import read_shoot
from takemill.shoot.shoot_takes import find_takes


@pytest.fixture(scope="module")
def place(tmp_path_factory) -> Path:
    folder = tmp_path_factory.mktemp("shoot")
    small_shoots.write_shoot(folder)
    return folder


def shoot_of(place: Path, text: str) -> Path:
    (place / "other.toml").write_text(text)
    return place / "other.toml"


def takes_of(place: Path, text: str):
    return {take.name: take for take in find_takes(read_shoot(shoot_of(place, text)), place / "out")}


def test_globs_name_takes_and_exclusions_leave_some_out(place):
    assert list(takes_of(place, 'takes = ["takes/*.bvh"]')) == ["a", "b", "c"]
    assert list(takes_of(place, 'takes = ["takes/c.bvh", "**/*.bvh"]')) == ["c", "a", "b"], "each once"
    assert list(takes_of(place, 'takes = ["takes/*.bvh"]\nexclude = ["b*"]')) == ["a", "c"]
    assert list(takes_of(place, 'takes = ["takes/*.bvh"]\nexclude = ["takes/[ab].bvh"]')) == ["c"]
    assert list(takes_of(place, f'takes = ["{(place / "takes").as_posix()}/*.bvh"]')) == ["a", "b", "c"]
    assert list(takes_of(place, f'takes = ["../{place.name}/takes/a.bvh"]')) == ["a"]


def test_what_a_build_wrote_is_no_take(place):
    (place / "out/courier").mkdir(parents=True, exist_ok=True)
    (place / "out/courier/x.bvh").write_bytes((place / "takes/a.bvh").read_bytes())
    assert list(takes_of(place, 'takes = ["**/*.bvh"]')) == ["a", "b", "c"]


def test_settings_count_in_layers(place):
    """Shared ones, then overrides in the file's order, each after what it is like, then the recipe beside."""
    takes = takes_of(
        place,
        """takes = ["takes/*.bvh"]
        [settings]
        rate = 30
        reduce.max_error_m = 0.001
        [overrides.all]
        takes = ["*"]
        like = "base"
        settings.rate = 40
        [overrides.base]
        settings = {rate = 50, reduce.interpolation = "cubic"}
        [overrides.late]
        takes = ["b", "c*"]
        settings.rate = 60
        """,
    )
    assert [one.recipe.rate for one in takes.values()] == [40.0, 60.0, 60.0]
    assert {one.recipe.reduce.interpolation for one in takes.values()} == {"cubic"}
    assert {one.recipe.reduce.max_error_m for one in takes.values()} == {0.001}, "tables are merged"
    assert [one.recipe.clips[0].name for one in takes.values()] == ["a_rest", "b_rest", "c_rest"]
    assert "[overrides.late]" in takes["c"].source
    assert "c.toml" in takes["c"].source


def test_the_shoot_file_is_no_recipe_of_a_take_that_is_called_alike(place):
    (place / "takes/day.bvh").write_bytes((place / "takes/a.bvh").read_bytes())
    (place / "takes/day.toml").write_text('takes = ["day.bvh"]')
    try:
        (one,) = find_takes(read_shoot(place / "takes/day.toml"), place / "out")
        assert one.recipe.clips == ()
    finally:
        (place / "takes/day.bvh").unlink()
        (place / "takes/day.toml").unlink()


TAKES = 'takes = ["takes/*.bvh"]\n'
BAD = [
    ("", "names no takes; write takes = "),
    ('takes = ["nowhere/*.bvh"]', "'nowhere/\\*.bvh' matches no file in .*; correct it or take it out"),
    ('takes = ["takes/a**b"]', "is no glob|matches no file"),
    (TAKES + 'exclude = ["*"]', "exclude leaves no take"),
    (TAKES + 'characters = ["none.glb"]', "characters: 'none.glb' matches no file"),
    (TAKES + 'charcters = ["none.glb"]', "unknown key 'charcters'; did you mean 'characters'"),
    (TAKES + 'sets = "two"', "sets: expected one of 'one', 'take', 'clip'"),
    (TAKES + "[settings]\nraet = 3", r"\[settings\]: unknown key 'raet'; did you mean 'rate'"),
    (TAKES + '[settings]\nrate = "3"', r"\[settings\]: rate: expected a number"),
    (TAKES + '[settings]\nname = "a"', r"'name' belongs into the recipe of one take"),
    (TAKES + '[settings]\n[[settings.clip]]\nname = "a"', r"'clip' belongs into the recipe of one take"),
    (TAKES + '[overrides.a]\ntakes = ["z*"]', r"\[overrides.a\] takes: 'z\*' matches no take"),
    (TAKES + "[overrides.a]\nsettings.rate = 3", r"\[overrides.a\] names no takes"),
    (TAKES + '[overrides.a]\ntakes = ["a"]\nlike = "b"', r"like = 'b': there is no such override"),
    (
        TAKES + '[overrides]\na = {takes = ["a"], like = "b"}\nb = {like = "c"}\nc = {like = "a"}',
        "overrides are like each other in a circle: a -> b -> c -> a; take one `like` away",
    ),
    (TAKES + '[overrides.a]\ntakes = ["a"]\nlike = "a"', "in a circle: a -> a"),
    (TAKES + "[overrides.a]\nspeed = 3", "unknown key 'speed'"),
    (
        TAKES + 'sets = "one"\n[settings]\nnaming = "{kind}_{n:02}"\n',
        "a clip 'dodge_01' would be made of two takes, 'd' and 'e'; put {take} into the pattern",
    ),
    (
        TAKES + 'sets = "one"\n[overrides.a]\ntakes = ["a"]\nsettings.reduce.max_error_m = 0.1',
        "reduce is of a whole set",
    ),
    (
        TAKES + 'characters = ["characters/*.glb"]\n[settings.characters.couriel.fit]\nplant_feet = false',
        "did you mean 'courier'",
    ),
    (TAKES + 'characters = ["characters/*.glb"]\n[settings.characters.tall.body]\nhips = ""', "tall: .*hips"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "said"), BAD, ids=range(len(BAD)))
def test_what_cannot_be_built_is_said_in_a_line_before_any_work(place, text, said):
    extra = [place / "takes/d.bvh", place / "takes/e.bvh"] if "naming" in text else []
    for path in extra:  # without recipes of their own
        path.write_bytes((place / "takes/a.bvh").read_bytes())
    try:
        with pytest.raises(TakemillError, match=said) as problem:
            look_at_shoot(shoot_of(place, text), place / "new")
    finally:
        for path in extra:
            path.unlink()
    assert "\n" not in str(problem.value)
    assert not (place / "new").exists()


def test_two_takes_of_one_name_are_refused(place):
    (place / "more").mkdir()
    (place / "more/B.bvh").write_bytes((place / "takes/a.bvh").read_bytes())
    with pytest.raises(
        TakemillError, match=r"two takes are called 'b': .*takes.b\.bvh and .*more.B\.bvh; rename"
    ):
        takes_of(place, 'takes = ["takes/*.bvh", "more/*.bvh"]')
    (place / "more/B.bvh").unlink()
    (place / "more").rmdir()


def test_sets_of_one_name_are_refused(place, tmp_path):
    shoot = small_shoots.copy(place, tmp_path / "s")
    for name in "ab":
        (tmp_path / f"s/takes/{name}.toml").write_text('name = "same"\n' + small_shoots.IDLE.format(name, 1))
    with pytest.raises(
        TakemillError, match="a set 'same' would be made of two takes, 'a' and 'b'; give each"
    ):
        look_at_shoot(shoot, tmp_path / "out")
    for name in "ab":
        (tmp_path / f"s/takes/{name}.toml").write_text(small_shoots.IDLE.format("same", 1))
    assert len(look_at_shoot(shoot, tmp_path / "out").jobs) == 3, (
        "in sets of their own clips may be called alike"
    )
    shoot.write_text(small_shoots.SHOOT + 'sets = "clip"')
    with pytest.raises(TakemillError, match="a set 'same' would be made of two takes"):
        look_at_shoot(shoot, tmp_path / "out")
    (tmp_path / "s/takes/a.toml").unlink()
    (tmp_path / "s/takes/b.toml").write_text(small_shoots.IDLE.format("a_idle_07", 1))
    with pytest.raises(TakemillError, match="a set 'a_idle_07' would be made of two takes, 'a' and 'b'"):
        look_at_shoot(shoot, tmp_path / "out")


def test_a_character_that_lacks_a_part_is_refused(place, tmp_path):
    shoot = small_shoots.copy(place, tmp_path / "s")
    glb = (tmp_path / "s/characters/tall.glb").read_bytes()

    def rename(json):
        for node in json["nodes"]:
            node["name"] = re.sub(
                "left_hip|left_thigh|left_upper_leg|left_up_leg", "odd", node.get("name", "")
            )

    (tmp_path / "s/characters/tall.glb").write_bytes(changed(glb, rename))
    shoot.write_text(
        small_shoots.SHOOT
        + '[settings.characters.tall.body]\nleftUpperLeg = ""\nleftLowerLeg = ""\nleftFoot = ""'
    )
    with pytest.raises(TakemillError, match=r"tall.*leftUpperLeg.*characters\.tall\.body"):
        look_at_shoot(shoot, tmp_path / "out")


def test_an_output_that_holds_other_things_is_refused(place, tmp_path):
    (tmp_path / "letters.txt").write_text("")
    with pytest.raises(TakemillError, match="holds other things and no shoot so far"):
        look_at_shoot(place / "shoot.toml", tmp_path)
    with pytest.raises(TakemillError, match="it is a file; name a folder"):
        look_at_shoot(place / "shoot.toml", tmp_path / "letters.txt")
