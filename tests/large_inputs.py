"""Inputs of any size for every reader, good ones and harmful ones, and what reading them takes.

    python tests/large_inputs.py MEGABYTES [CASE ...]

prints for each, as a line of JSON, the seconds of the processor and the megabytes of memory that it took, and
what was said. Linux only.
"""

from __future__ import annotations

import json
import multiprocessing
import resource
import struct
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).parent))

import bvh_samples
import fuzz_readers
import rigs
import small_takes
from takemill.base.errors import TakemillError
from takemill.body.body_map import find_body_map
from takemill.files import bvh
from takemill.files.glb_format import ChunkType, parse

MB = 1_000_000


def filled(size: int, head: str, piece: str, tail: str = "") -> bytes:
    """A text of some size out of equal pieces."""
    return (head + piece * max((size - len(head) - len(tail)) // len(piece), 1) + tail).encode()


# BVH ----------------------------------------------------------------------------------------------

_END = "MOTION\nFrames: 1\nFrame Time: 0.01\n0 0 0\n"


def bvh_take(size: int) -> bytes:
    """A take of a body."""
    text = bvh.format_bvh(small_takes.stand_and_walk())
    head, rows = text.split("Frame Time:")
    line, rows = rows.split("\n", 1)
    times = max(size // len(rows), 1)
    count = times * rows.count("\n")
    head = head[: head.index("Frames:")] + f"Frames: {count}\n"
    return f"{head}Frame Time:{line}\n{rows * times}".encode()


def bvh_short_numbers(size: int) -> bytes:
    """Two bytes for each number."""
    head = bvh_samples.HEAD
    channels = sum(int(line.split()[1]) for line in head.splitlines() if "CHANNELS" in line)
    row = "0 " * channels + "\n"
    count = max((size - len(head)) // len(row), 1)
    return f"{head}MOTION\nFrames: {count}\nFrame Time: 0.01\n{row * count}".encode()


def bvh_joints(size: int) -> bytes:
    joint = "JOINT a\n{\nOFFSET 0 0 0\nCHANNELS 1 Xrotation\n}\n"
    head = "HIERARCHY\nROOT r\n{\nOFFSET 0 0 0\nCHANNELS 1 Xrotation\n"
    return filled(size, head, joint, "}\n" + _END)


def bvh_channels(size: int) -> bytes:
    count = size // 10
    head = f"HIERARCHY\nROOT r\n{{\nOFFSET 0 0 0\nCHANNELS {count} "
    return (head + "Xrotation " * count + "\n}\n" + _END).encode()


def bvh_deep(size: int) -> bytes:
    return filled(size, "HIERARCHY\nROOT r\n{\n", "JOINT a\n{\nOFFSET 0 0 0\n", _END)


def bvh_frames(size: int) -> bytes:
    """Says that it has a thousand million frames."""
    good = bvh_short_numbers(size).decode()
    at = good.index("Frames:")
    return (good[:at] + "Frames: 1000000000" + good[good.index("\n", at) :]).encode()


# GLB ----------------------------------------------------------------------------------------------


def _character(change: Callable[[dict[str, Any], bytearray], None]) -> bytes:
    document = parse(rigs.character(fuzz_readers.sway().skeleton))
    data = bytearray(document.binary or b"")
    change(document.json, data)
    data += bytes(-len(data) % 4)
    document.json["buffers"][0]["byteLength"] = len(data)
    text = json.dumps(document.json, separators=(",", ":")).encode()  # not by the writer, which has limits
    text += b" " * (-len(text) % 4)
    head = struct.pack("<5I", 0x46546C67, 2, 28 + len(text) + len(data), len(text), ChunkType.JSON)
    return b"".join([head, text, struct.pack("<2I", len(data), ChunkType.BIN), data])


def _view(gltf: dict[str, Any], data: bytearray, length: int) -> int:
    """A new buffer view of zeros."""
    data += bytes(-len(data) % 4)
    gltf["bufferViews"].append({"buffer": 0, "byteOffset": len(data), "byteLength": length})
    data += bytes(length)
    return len(gltf["bufferViews"]) - 1


def _accessor(gltf: dict[str, Any], **fields: Any) -> int:
    gltf["accessors"].append({"componentType": 5126, "type": "VEC3", **fields})
    return len(gltf["accessors"]) - 1


def glb_mesh(size: int) -> bytes:
    """A character of many vertices: places, joints and weights."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        count = size // 44
        part = gltf["meshes"][0]["primitives"][0]
        part.pop("indices", None)
        for name, kind, component, width in (
            ("POSITION", "VEC3", 5126, 12),
            ("JOINTS_0", "VEC4", 5126 - 3, 8),
            ("WEIGHTS_0", "VEC4", 5126, 16),
        ):
            view = _view(gltf, data, width * count)
            part["attributes"][name] = _accessor(
                gltf, bufferView=view, componentType=component, type=kind, count=count
            )

    return _character(change)


def glb_small_accessors(size: int) -> bytes:
    """Morph targets, each of an accessor of its own on the same few bytes."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        part = gltf["meshes"][0]["primitives"][0]
        count = gltf["accessors"][part["attributes"]["POSITION"]]["count"]
        view = _view(gltf, data, 12 * count)
        part["targets"] = [
            {"POSITION": _accessor(gltf, bufferView=view, count=count)} for _ in range(size // 95)
        ]

    return _character(change)


def glb_sparse(size: int) -> bytes:
    """Sparse accessors of few bytes that stand for many numbers."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        _view(gltf, data, size // 2)
        spots, values = _view(gltf, data, 4), _view(gltf, data, 12)
        sparse = {
            "count": 1,
            "indices": {"bufferView": spots, "componentType": 5125},
            "values": {"bufferView": values},
        }
        for mesh in gltf["meshes"]:
            for part in mesh["primitives"]:
                part["attributes"]["POSITION"] = _accessor(gltf, count=6_500_000, sparse=sparse)

    return _character(change)


def glb_same_bytes(size: int) -> bytes:
    """A thousand parts of a mesh, each of accessors of its own on the same bytes."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        view, part = _view(gltf, data, size), gltf["meshes"][0]["primitives"][0]
        parts = []
        for _ in range(1000):
            place = _accessor(gltf, bufferView=view, count=size // 12)
            parts.append({**part, "attributes": {**part["attributes"], "POSITION": place}})
        gltf["meshes"][0]["primitives"] = parts

    return _character(change)


def glb_nodes(size: int) -> bytes:
    def change(gltf: dict[str, Any], data: bytearray) -> None:
        del data
        first = len(gltf["nodes"])
        gltf["nodes"] += [{"name": f"n{k}"} for k in range(size // 22)]
        gltf["nodes"][0].setdefault("children", []).extend(range(first, len(gltf["nodes"])))

    return _character(change)


def glb_chain(size: int) -> bytes:
    def change(gltf: dict[str, Any], data: bytearray) -> None:
        del data
        first = len(gltf["nodes"])
        gltf["nodes"] += [{"name": "n", "children": [first + k + 1]} for k in range(size // 32)]
        gltf["nodes"].append({"name": "end"})
        gltf["nodes"][0].setdefault("children", []).append(first)

    return _character(change)


def glb_animations(size: int) -> bytes:
    """Clips without end, on the same few bytes."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        view = _view(gltf, data, 64)
        times = _accessor(gltf, bufferView=view, type="SCALAR", count=1)
        turns = _accessor(gltf, bufferView=view, type="VEC4", count=1)
        clip = {
            "samplers": [{"input": times, "output": turns}],
            "channels": [{"sampler": 0, "target": {"node": 1, "path": "rotation"}}],
        }
        gltf["animations"] = [{"name": f"c{k}", **clip} for k in range(size // 125)]

    return _character(change)


def glb_empties(size: int) -> bytes:
    """Objects of three bytes each, which Python keeps in sixty."""

    def change(gltf: dict[str, Any], data: bytearray) -> None:
        del data
        gltf["extras"] = [{}] * (size // 3)

    return _character(change)


# Recipes and lists --------------------------------------------------------------------------------


def recipe_clips(size: int) -> bytes:
    return filled(size, "", '[[clip]]\nname = "a"\ntake = "day"\nfrom = 0\nto = 1\n')


def recipe_values(size: int) -> bytes:
    return filled(size, "[body]\nhead = [", "[],", "]\n")


def recipe_deep(size: int) -> bytes:
    return filled(size, "[body]\nhead = ", "[")


def recipe_text(size: int) -> bytes:
    return filled(size, 'name = "', "a", '"\n')


def recipe_names(size: int) -> bytes:
    """One name out of very many parts, which take Python's reader of TOML the cube of their number."""
    return filled(size, "a", ".a", " = 1\n")


def recipe_long_names(size: int) -> bytes:
    """Names of as many parts as may be."""
    return "".join(f"{'.'.join(['a'] * 19)}.a{k} = 1\n" for k in range(size // 56)).encode()


def list_clips(size: int) -> bytes:
    with tempfile.TemporaryDirectory() as place:
        said = json.loads(fuzz_readers.good_list(Path(place) / "set"))
    said["clips"] *= max(size // len(json.dumps(said["clips"])), 1)
    return json.dumps(said).encode()


def list_empties(size: int) -> bytes:
    return filled(size, '{"clips": [', "[],", "[]]}")


def list_deep(size: int) -> bytes:
    return filled(size, "", "[")


def read_bvh(data: bytes) -> None:
    find_body_map(bvh.parse_bvh(data.decode("utf-8", "replace"))[0].skeleton)


def read_list(data: bytes) -> None:
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "set").mkdir()
        fuzz_readers.list_reader(Path(place) / "set")(data)


Maker, Reader = Callable[[int], bytes], Callable[[bytes], object]
CASES: dict[str, Maker] = {
    f"{make.__name__.replace('_', ' ')}": make
    for make in (
        *(bvh_take, bvh_short_numbers, bvh_joints, bvh_channels, bvh_deep, bvh_frames),
        *(glb_mesh, glb_small_accessors, glb_sparse, glb_same_bytes, glb_nodes, glb_chain, glb_animations),
        *(glb_empties, recipe_clips, recipe_values, recipe_deep, recipe_text, recipe_names),
        *(recipe_long_names, list_clips, list_empties, list_deep),
    )
}


def reader_of(case: str) -> Reader:
    """What reads a case."""
    kind = case.split()[0]
    if kind == "bvh":
        return read_bvh
    if kind == "list":
        return read_list
    return fuzz_readers.glb_reader() if kind == "glb" else fuzz_readers.recipe_reader()


def measure(case: str, megabytes: float) -> None:
    """Make an input, read it, print a line of JSON."""
    read, data = reader_of(case), CASES[case](int(megabytes * MB))
    Path("/proc/self/clear_refs").write_text("5")  # the highest memory begins again
    before_mb, start_s = _highest_mb(), time.process_time()
    try:
        read(data)
        said = "read"
    except TakemillError as problem:
        said = str(problem)
    took = {"seconds": time.process_time() - start_s, "memory_mb": _highest_mb() - before_mb}
    print(json.dumps({"case": case, "size_mb": len(data) / MB, **took, "said": said[:120]}), flush=True)


def _highest_mb() -> float:
    line = next(one for one in Path("/proc/self/status").read_text().splitlines() if one.startswith("VmHWM"))
    return int(line.split()[1]) * 1024 / MB


def main(megabytes: float, cases: Sequence[str]) -> int:
    """Measure each in a process of its own, which can take no more than this machine has."""
    failed = 0
    for case in cases or CASES:
        child = multiprocessing.get_context("fork").Process(target=_limited, args=(case, megabytes))
        child.start()
        child.join()
        failed += child.exitcode != 0
    return failed


def _limited(case: str, megabytes: float) -> None:
    resource.setrlimit(resource.RLIMIT_AS, (MOST_BYTES, MOST_BYTES))
    measure(case, megabytes)


MOST_BYTES = 8_000 * MB

if __name__ == "__main__":
    sys.exit(main(float(sys.argv[1]), sys.argv[2:]))
