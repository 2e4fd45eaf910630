"""Every reader, what it reads when it is good, and cases that are made of that."""

from __future__ import annotations

import json
import random
import tempfile
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np

import bvh_samples
import rigs
import small_takes
from fuzz_harms import WORDS, harmed, harmed_json
from glb_clips import clip_of
from takemill.base.errors import InputError, RecipeError, TakemillError
from takemill.body.body_map import find_body_map
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.files import bvh, bvh_text
from takemill.files.glb import append_animations, skeleton_glb
from takemill.files.glb_format import Document, pack, parse
from takemill.files.glb_nodes import nodes_only, skins_on_top
from takemill.files.glb_read import GlbScene
from takemill.files.glb_rig import read_rig
from takemill.files.glb_root import with_root
from takemill.files.json_schema import problems
from takemill.pipeline import stages
from takemill.pipeline.plan_clips import expect_clips
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.recipe.recipe_text import recipe_text
from takemill.recipe.recipe_write import settings_table
from takemill.sets import set_folder, set_list, verify, verify_facts, verify_files
from takemill.sets.clip_set import write_clip_set
from takemill.sets.verify import verify_set

Case = Callable[[random.Random], Callable[[], object]]
"""Makes a case, and gives back what reads it."""


def good_bvhs() -> list[bytes]:
    """Small BVH files."""
    small = [bvh_samples.small(frames=3), bvh_samples.small(frames=1, time="0.02")]
    return [text.encode() for text in (*small, bvh.format_bvh(small_takes.stand_and_walk().slice(0, 3)))]


def read_bvh(data: bytes) -> Motion:
    """What a BVH file holds."""
    return bvh._motion_of(bvh_text.parse(data, "case.bvh"), None, None)[0]


def bvh_cases() -> Case:
    """BVH files, and the body map of what can be read."""
    good = good_bvhs()

    def case(rng: random.Random) -> Callable[[], object]:
        data = harmed(rng.choice(good), WORDS["bvh"], rng)
        told = rng.random() < 0.1

        def read() -> object:
            motion = read_bvh(data)
            return find_body_map(motion.skeleton) if told else motion

        return read

    return case


_RECIPE = """name = "ferry"
rate = 30
files = "separate"
[body]
leftFoot = "L_Ankle"
[repair]
jitter = false
[[clip]]
name = "walk"
take = "day"
from = 1.5
to = "60f"
loop = true
search = false
root_motion = "root"
[[clip]]
name = "idle"
from = 0
to = 2.5
root_motion = "in_place"
"""


def good_recipes() -> list[bytes]:
    """A recipe of most kinds of clips, and one with every setting."""
    return [_RECIPE.encode(), recipe_text().replace("\n# ", "\n").encode()]


def recipe_reader() -> Callable[[bytes], object]:
    """Reads a recipe and tells it of a take."""
    take = {"day": sway()}
    return lambda data: expect_clips(parse_recipe(data.decode("utf-8", "replace"), "case.toml"), take)


def recipe_cases() -> Case:
    """Recipes; those that can be read are told of a take."""
    good, read = [_RECIPE.encode(), *good_recipes()], recipe_reader()

    def case(rng: random.Random) -> Callable[[], object]:
        data = harmed(rng.choice(good), WORDS["recipe"], rng)
        return lambda: read(data)

    return case


def sway() -> Motion:
    """A skeleton of four joints that sways for three seconds."""
    skeleton = Skeleton(
        ("hips", "spine", "left", "right"), (-1, 0, 0, 0), np.eye(4, 3), np.tile([1.0, 0, 0, 0], (4, 1))
    )
    angle = np.sin(np.arange(90) / 9)
    turns = np.tile([1.0, 0, 0, 0], (90, 4, 1))
    turns[:, 1] = np.stack([np.cos(angle), np.sin(angle), 0 * angle, 0 * angle], axis=1)
    return Motion(skeleton, 30.0, turns, np.arange(270.0).reshape(90, 3) / 1000)


def glb_cases() -> Case:
    """GLB files, through the writer's door, the players' and the characters'."""
    motion = sway()
    clip = clip_of("sway", motion, extras={"loop": False})
    more = clip_of("more", motion)
    base = skeleton_glb(motion.skeleton)
    good = append_animations(base, [clip])
    rig = rigs.character(motion.skeleton, scale=(0.01, 0.01, 0.01), translation=(1, 2, 3))
    rig = rigs.changed(rig, rigs.nest)

    def case(rng: random.Random) -> Callable[[], object]:
        data = rng.choice((good, rig))
        if rng.random() < 0.3:
            data = harmed(data, ("JSON", "BIN\0", "glTF", "\0\0\0\0"), rng)
        else:
            document = parse(data)
            data = pack(Document(harmed_json(document.json, rng), document.binary))

        def play() -> object:
            scene = GlbScene(data, "case.glb")
            for name in scene.curves:
                scene.worlds(name, np.array([0.0, 0.1]))
            return scene

        def carry() -> object:
            return with_root(data, read_rig(data, "case.glb"))

        alone = (
            lambda: append_animations(data, [more]),
            lambda: nodes_only(data),
            lambda: skins_on_top(data),
        )
        return rng.choice((play, carry, *alone))

    return case


def list_cases(folder: Path) -> Case:
    """Lists of clips, as `verify` and the next `pack` read them; the set's other files are good."""
    motion = small_takes.stand_and_walk()
    recipe = parse_recipe('[[clip]]\nname = "walk"\nfrom = 3.5\nto = 8\nloop = true\n')
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    clips = stages.make_set(take, recipe)
    write_clip_set(folder, skeleton_glb(clips[0].motion.skeleton), "set", [take], clips, recipe)
    good = (folder / set_folder.LIST).read_bytes()

    def case(rng: random.Random) -> Callable[[], object]:
        if rng.random() < 0.3:
            data = harmed(good, ("[", "{", '"', ":", ",", "\\u0000", "NaN"), rng)
        else:
            data = json.dumps(harmed_json(json.loads(good), rng)).encode()

        def read() -> object:
            _write_list(folder, data)
            set_list.listed_names(folder), set_list.claims(folder)
            return verify_set(folder)

        return read

    return case


def _write_list(folder: Path, data: bytes) -> None:
    """As a new file: ext4 waits for the disk after one that is cut down to nothing (auto_da_alloc)."""
    (folder / set_folder.LIST).unlink(missing_ok=True)
    (folder / set_folder.LIST).write_bytes(data)


def good_list(folder: Path) -> bytes:
    """The list of a small set, which is written into a folder."""
    list_cases(folder)
    return (folder / set_folder.LIST).read_bytes()


def list_reader(folder: Path) -> Callable[[bytes], object]:
    """Reads a list as `pack` and `verify` do, but for the files that it names."""
    schema = json.loads(Path(verify.__file__).with_name(verify.SCHEMA).read_bytes())

    def read(data: bytes) -> object:
        _write_list(folder, data)
        set_list.listed_names(folder), set_list.claims(folder)
        said = verify_files.read_list(folder)
        if any(problems(said, schema, schema)):
            return None
        set_list.is_sealed(said)
        list(verify_facts.take_problems(said))
        return [list(verify_facts.clip_problems(clip, said, [2], 3)) for clip in said["clips"]]

    return read


def good_glbs() -> list[bytes]:
    """A small animated skeleton, and a character with a mesh."""
    motion = sway()
    clip = clip_of("sway", motion.slice(0, 4), extras={"loop": False})
    rig = rigs.character(motion.skeleton, scale=(0.01, 0.01, 0.01), translation=(1, 2, 3))
    return [append_animations(skeleton_glb(motion.skeleton), [clip]), rigs.changed(rig, rigs.nest)]


def glb_reader() -> Callable[[bytes], object]:
    """Reads a GLB through every door: players', characters' and writer's; each may refuse."""
    motion = sway()
    more = clip_of("more", motion.slice(0, 4))

    def play(data: bytes) -> None:
        scene = GlbScene(data, "case.glb")
        for name in list(scene.curves)[:4]:
            scene.worlds(name, np.array([0.0, 0.1]))

    def carry(data: bytes) -> None:
        with_root(data, read_rig(data, "case.glb"))

    def read(data: bytes) -> None:
        refused: TakemillError | None = None
        for door in (play, carry, lambda one: append_animations(one, [more]), nodes_only, skins_on_top):
            try:
                door(data)
            except TakemillError as problem:
                refused = problem
        if refused:
            raise refused

    return read


GOOD_RECORD = {
    "rate": 60.0,
    "kind": "locomotion",
    "loop": True,
    "root_motion_mode": "root",
    "candidate": {
        "start": 3,
        "end": 9,
        "gap_cm": 1.0,
        "gap_deg": 0.5,
        "gap_cm_s": 2.0,
        "quality": "good",
        "note": "",
    },
    "source": "day",
    "source_range": [3, 10],
    "root_motion": {"position": [[0, 0, 0], [0.1, 0, 0]], "heading": [0.0, 0.1]},
    "contacts": {"floor_m": 0.0, "feet": ["leftFoot"], "heel": [[0], [1]], "toe": [[1], [1]]},
    "parts": {"planar": "root", "turn": "keep", "height": "keep"},
    "events": [{"name": "leftFoot.down", "frame": 1}],
    "stretches": [[0, 5]],
    "stretch_joins": [{"leave": 3, "enter": 1, "frames": 2}],
    "blend_frames": 0,
    "idle": {"joins": [0.0, 0.4], "repeats": 0.9, "breaths": 2.0, "pace": 1.1},
    "no_loop": "",
    "variant": {
        "of": "walk",
        "name": "w",
        "mirror": True,
        "speed": 1.5,
        "additive_to": "",
        "against": "pose",
    },
    "touches": {"floor_m": 0.0, "feet": ["leftFoot"], "heel": [[0], [1]], "toe": [[1], [1]]},
    "asked": {"name": "walk", "from": "3f", "to": 0.5, "loop": True},
    "settings": settings_table(Recipe()),
}
"""What is kept with the Action of a clip."""


def record_reader() -> Callable[[bytes], object]:
    """Reads what is kept with an Action; needs Blender's module."""
    from takemill_addon.bridge.clips import clip_record

    def read(data: bytes) -> object:
        try:
            return clip_record._parsed.__wrapped__(data.decode("utf-8", "replace"))
        except (ValueError, RecipeError) as problem:  # which `of_action` tells with the action's name
            raise InputError(str(problem)) from None

    return read


@contextmanager
def readers() -> Iterator[dict[str, Case]]:
    """Every reader by name."""
    with tempfile.TemporaryDirectory() as place:
        yield {
            "BVH": bvh_cases(),
            "recipe": recipe_cases(),
            "GLB": glb_cases(),
            "clips.json": list_cases(Path(place) / "set"),
        }
