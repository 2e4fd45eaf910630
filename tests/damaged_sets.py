"""Sets of clips that are changed after they were written, and what verifying says of them."""

from __future__ import annotations

import hashlib
import json
import struct
from pathlib import Path

import small_takes
from takemill.body.motion import Motion
from takemill.files import glb
from takemill.pipeline import stages
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets.clip_facts import describe_again
from takemill.sets.clip_set import write_clip_set
from takemill.sets.set_list import add_seal
from takemill.sets.verify import verify_set

RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk", 3.5, 8, "true", "root"),
        ("pace", 3.5, 8, "true", "in_place"),
        ("drift", 3.5, 8, "true", "keep"),
        ("off", 1.5, 4, "false", "root"),
    )
)


Made = tuple[Path, dict[str, Motion], dict]
"""A folder with a set, the clips in it, and what the list should say of them."""


def make(folder: Path, above: str = "") -> Made:
    """A set of the four clips of RECIPE, below other lines of a recipe."""
    motion = small_takes.stand_and_walk()
    recipe = parse_recipe(above + RECIPE)
    take = prepare_take("day", motion, body_of(motion.skeleton, Recipe()), recipe)
    clips = stages.make_set(take, recipe)
    write_clip_set(folder, glb.skeleton_glb(clips[0].motion.skeleton), "set", [take], clips, recipe)
    again = json.loads(json.dumps(describe_again(clips, recipe)))
    return folder, {clip.name: clip.motion for clip in clips}, again


def problems(folder: Path, motions=None) -> list[str]:
    wrong, verdicts = verify_set(folder, motions)
    return [*wrong, *(f"{one.name}: {text}" for one in verdicts for text in one.problems)]


def rewrite(folder: Path, change, binary=None, file: str = "set.glb") -> None:
    """Change the GLB's JSON (and its bytes), then list the new file as if it had been written so."""
    path = folder / file
    data = path.read_bytes()
    size = struct.unpack_from("<I", data, 12)[0]
    text, rest = json.loads(data[20 : 20 + size]), bytearray(data[28 + size :])
    change(text)
    if binary:
        binary(text, rest)
    packed = json.dumps(text).encode()
    packed += b" " * (-len(packed) % 4)
    body = (
        struct.pack("<I4s", len(packed), b"JSON") + packed + struct.pack("<I4s", len(rest), b"BIN\0") + rest
    )
    path.write_bytes(struct.pack("<4sII", b"glTF", 2, 12 + len(body)) + body)
    relist(folder, nothing)


def relist(folder: Path, change, seal: bool = True) -> None:
    """Change the list; it bears its own digest then, as if it had been written so."""
    said = json.loads((folder / "clips.json").read_bytes())
    change(said)
    for file in said.get("files", ()):
        if (folder / file["name"]).is_file():
            data = (folder / file["name"]).read_bytes()
            file["bytes"], file["sha256"] = len(data), hashlib.sha256(data).hexdigest()
    (folder / "clips.json").write_text(json.dumps(add_seal(said) if seal else said))


def animation(text: dict, name: str) -> dict:
    return next(one for one in text["animations"] if one["name"] == name)


def nudge(path: str, by: float, clip: str, node: str, key: int = -1, part: int = 1):
    """Add to the first number of a key of a channel, in place in the binary.

    Of a curved key there are three parts: the slope towards it, itself, and the slope away from it.
    """

    def change(text: dict, rest: bytearray) -> None:
        one = animation(text, clip)
        names = [n.get("name") for n in text["nodes"]]
        channel = next(
            c for c in one["channels"] if names[c["target"]["node"]] == node and c["target"]["path"] == path
        )
        accessor = text["accessors"][one["samplers"][channel["sampler"]]["output"]]
        view = text["bufferViews"][accessor["bufferView"]]
        kind = {5126: "<f", 5122: "<h", 5120: "<b"}[accessor["componentType"]]
        width = {"VEC3": 3, "VEC4": 4}[accessor["type"]]
        item = struct.calcsize(kind)
        place = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
        curved = one["samplers"][channel["sampler"]].get("interpolation") == "CUBICSPLINE"
        row = 3 * (key % (accessor["count"] // 3)) + part if curved else key % accessor["count"]
        place += row * width * item
        scale = {"<f": 1.0, "<h": 32767, "<b": 127}[kind]
        value = struct.unpack_from(kind, rest, place)[0] + by * scale
        struct.pack_into(kind, rest, place, value if kind == "<f" else round(min(value, scale)))

    return change


def nothing(_):
    pass


def rest(joint: str, **parts):
    return lambda text: next(n for n in text["nodes"] if n.get("name") == joint).update(parts)
