"""Mutated inputs for every reader, fast and seeded: nothing but a TakemillError may come out, and soon.

A case is made from a good file by a few small harms: bytes changed, cut, doubled or moved, words of the
format put elsewhere, numbers made odd; in JSON also whole values exchanged. A case's number and the seed say
all of it.
"""

from __future__ import annotations

import copy
import json
import random
import re
import signal
import tempfile
import time
import traceback
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

import bvh_samples
import rigs
import small_takes
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

LONGEST_S = 5.0
"""What a case may take; a reader that takes longer has failed."""

NUMBERS = (
    "2 3 0.25 -45.5 90 60 0.02 12 0 -0 1 -1 nan inf -inf 1e308 -1e308 1e999 1e-320 2147483648 -2147483649 "
    'true null [] {} "" 1_000 1,5 . - + 1e 1.5.2 0x10 \u0661 ' + "9" * 40
).split()
_BVH_WORDS = "HIERARCHY ROOT JOINT OFFSET CHANNELS MOTION Frames: { } Xposition Yrotation Zrotation 6 Hips"
_RECIPE_WORDS = """[[clip]] [repair] [body] [root_motion] [[variant]] name from to loop root_motion take rate
files = [ ] { } # " true "root" "12f" "a/b" 1979-05-27 stretches events naming {kind} neutral mirror of
speed"""
WORDS = {
    "bvh": (*_BVH_WORDS.split(), "End Site", "Frame Time:", "\n", "\t", "\r\n", "\0", "\ufeff"),
    "recipe": (*_RECIPE_WORDS.split(), "\n", "'" * 3),
}
_VALUES: tuple[Any, ...] = (
    *(None, True, False, 0, 1, -1, 2, 255, 5126, 2**31, 2**63, -(2**63), 10**40, 0.5, 1e308, -1e308, 1e-300),
    *("", "x", "SCALAR", "VEC4", "rotation", "LINEAR", "CUBICSPLINE", "a" * 300, "\N{FERRY}", "../x"),
    *([], {}, [[]], [0], [1e308] * 4, {"a": 1}, [None], list(range(20))),
)


@dataclass
class Result:
    """What became of some cases of one reader.

    Attributes:
        cases, refused: how many there were, and how many raised a TakemillError.
        seconds: of all.
        slowest_s: of one.
        bad: the first faults: the case's number and what came out.
    """

    cases: int = 0
    refused: int = 0
    seconds: float = 0.0
    slowest_s: float = 0.0
    bad: list[tuple[int, str]] = field(default_factory=list)


def harmed(data: bytes, words: tuple[str, ...], rng: random.Random) -> bytes:
    """The bytes after one to six small harms."""
    out = bytearray(data)
    for _ in range(rng.choice((1, 1, 1, 2, 3, 6))):
        a = rng.randrange(len(out) + 1)
        b = min(a + rng.choice((1, 1, 2, 4, 8, 40, 200)), len(out))
        harm = rng.randrange(9)
        if harm == 0:
            out[a:b] = bytes(rng.randrange(256) for _ in range(b - a))
        elif harm == 1:
            del out[a:b]
        elif harm == 2:
            out[a:a] = out[a:b] * rng.choice((1, 2, 50))
        elif harm == 3 and len(out) > b - a:
            piece = out[a:b]
            del out[a:b]
            place = rng.randrange(len(out) + 1)
            out[place:place] = piece
        elif harm == 4:
            out[a:a] = rng.choice(words).encode()
        elif harm == 5:
            del out[a:]
        elif harm == 6 and a < len(out):
            out[a] ^= 1 << rng.randrange(8)
        else:
            spots = [m.span() for m in re.finditer(rb"-?\d[\d.]*", bytes(out[max(a - 60, 0) : a + 60]))]
            if spots:
                start, stop = (max(a - 60, 0) + k for k in rng.choice(spots))
                out[start:stop] = rng.choice(NUMBERS).encode()
    return bytes(out)


def harmed_json(value: Any, rng: random.Random) -> Any:
    """A JSON value with one to four of its parts exchanged, taken away or put elsewhere; the same object."""
    for _ in range(rng.choice((1, 1, 2, 4))):
        places = list(_places(value))
        holder, key = rng.choice(places)
        harm = rng.randrange(4)
        if harm == 0:
            holder[key] = copy.deepcopy(rng.choice(_VALUES))
        elif harm == 1:
            del holder[key]
        elif harm == 2:
            other, there = rng.choice(places)
            try:  # a copy: a value inside itself is no JSON
                holder[key] = json.loads(json.dumps(other[there]))
            except (KeyError, IndexError):
                continue
        elif isinstance(holder[key], int | float) and not isinstance(holder[key], bool):
            holder[key] += rng.choice((-1, 1, 1000, 0.5))
    return value


def _places(value: Any) -> Iterator[tuple[Any, Any]]:
    parts = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, part in list(parts):
        yield value, key
        yield from _places(part)


# The readers ------------------------------------------------------------------------------------

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
    take = {"day": _sway()}
    return lambda data: expect_clips(parse_recipe(data.decode("utf-8", "replace"), "case.toml"), take)


def recipe_cases() -> Case:
    """Recipes; those that can be read are told of a take."""
    good, read = [_RECIPE.encode(), *good_recipes()], recipe_reader()

    def case(rng: random.Random) -> Callable[[], object]:
        data = harmed(rng.choice(good), WORDS["recipe"], rng)
        return lambda: read(data)

    return case


def _sway() -> Motion:
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
    motion = _sway()
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
            (folder / set_folder.LIST).write_bytes(data)
            set_list.listed_names(folder), set_list.claims(folder)
            return verify_set(folder)

        return read

    return case


def good_list(folder: Path) -> bytes:
    """The list of a small set, which is written into a folder."""
    list_cases(folder)
    return (folder / set_folder.LIST).read_bytes()


def list_reader(folder: Path) -> Callable[[bytes], object]:
    """Reads a list as `pack` and `verify` do, but for the files that it names."""
    schema = json.loads(Path(verify.__file__).with_name(verify.SCHEMA).read_bytes())

    def read(data: bytes) -> object:
        (folder / set_folder.LIST).write_bytes(data)
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
    motion = _sway()
    clip = clip_of("sway", motion.slice(0, 4), extras={"loop": False})
    rig = rigs.character(motion.skeleton, scale=(0.01, 0.01, 0.01), translation=(1, 2, 3))
    return [append_animations(skeleton_glb(motion.skeleton), [clip]), rigs.changed(rig, rigs.nest)]


def glb_reader() -> Callable[[bytes], object]:
    """Reads a GLB through every door: players', characters' and writer's; each may refuse."""
    motion = _sway()
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


def harmed_glb(data: bytes, rng: random.Random) -> bytes:
    """A GLB with parts of its JSON exchanged; one that is none any more, with its bytes harmed."""
    try:
        document = parse(data)
        return pack(Document(harmed_json(document.json, rng), document.binary))
    except (TakemillError, IndexError):
        return harmed(data, ("JSON", "BIN\0", "glTF"), rng)


def harmed_text(data: bytes, rng: random.Random) -> bytes:
    """A JSON text with parts exchanged; one that is none any more, with its bytes harmed."""
    try:
        return json.dumps(harmed_json(json.loads(data), rng)).encode()
    except (ValueError, RecursionError, IndexError):
        return harmed(data, ("[", "{", '"', ":", ",", "NaN"), rng)


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
    "blend_frames": 0,
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
    from takemill_addon.bridge import clip_record

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


def run(name: str, case: Case, count: int, seed: int = 0, start: int = 0) -> Result:
    """Cases `start` to `start + count` of a reader."""
    result = Result()
    begun = time.perf_counter()
    with _alarmed(), warnings.catch_warnings():
        warnings.simplefilter("error")
        for number in range(start, start + count):
            read = case(random.Random(f"{name} {seed} {number}"))
            before = time.perf_counter()
            signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
            try:
                read()
            except TakemillError:
                result.refused += 1
            except BaseException as problem:
                if isinstance(problem, KeyboardInterrupt):
                    raise
                if len(result.bad) < 20:
                    last = traceback.extract_tb(problem.__traceback__)[-1]
                    result.bad.append(
                        (
                            number,
                            f"{type(problem).__name__}: {problem} ({Path(last.filename).name}:{last.lineno})",
                        )
                    )
            finally:
                signal.setitimer(signal.ITIMER_REAL, 0)
            result.cases += 1
            result.slowest_s = max(result.slowest_s, time.perf_counter() - before)
    result.seconds = time.perf_counter() - begun
    return result


class TooLongError(Exception):
    """A reader took longer than it may."""


@contextmanager
def _alarmed() -> Iterator[None]:
    def ring(*_: object) -> None:
        raise TooLongError(f"more than {LONGEST_S:g} s")

    old = signal.signal(signal.SIGALRM, ring)
    try:
        yield
    finally:
        signal.signal(signal.SIGALRM, old)
