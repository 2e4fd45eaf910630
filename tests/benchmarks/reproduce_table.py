"""Whether a set packed twice, in two folders, time zones and locales, or by another Python, is the same.

    python tests/benchmarks/reproduce_table.py [OTHER_PYTHON]

OTHER_PYTHON is an interpreter that has Takemill, say one with another numpy. The files of each run are compared
with those of the first. Where a GLB differs, its JSON must be the same but for facts, and its numbers are
compared in quanta: whole numbers for integers, and for floats the step of float32 at the largest number of
their channel. Exit code 1 when two runs of one Python differ, or two Pythons by more than a quantum.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))

from glb_reader import read_glb

HERE = Path(__file__).parents[2]
_TYPES = {5120: "<i1", 5121: "<u1", 5122: "<i2", 5123: "<u2", 5125: "<u4", 5126: "<f4"}
_WIDTHS = {"SCALAR": 1, "VEC2": 2, "VEC3": 3, "VEC4": 4, "MAT4": 16}
_PLACES = (
    {"LANG": "C", "TZ": "UTC", "PYTHONHASHSEED": "1"},
    {
        "LANG": "tr_TR.UTF-8",
        "LC_ALL": "tr_TR.UTF-8",
        "TZ": "Asia/Kathmandu",
        "PYTHONHASHSEED": "2",
        "PYTHONUTF8": "0",
    },
)


def packed(python: str, folder: Path, place: dict[str, str]) -> dict[str, bytes]:
    """The files of the sample's set, packed by an interpreter in a folder of its own."""
    folder.mkdir(parents=True)
    samples = HERE / "sample_blends"
    command = [python, "-m", "takemill", "pack", str(samples / "marsh_take.bvh"), "--recipe",
               str(samples / "marsh_set.toml"), "--out", "set"]  # fmt: skip
    subprocess.run(command, cwd=folder, env={**os.environ, **place}, check=True, capture_output=True)
    out = folder / "set"
    return {path.relative_to(out).as_posix(): path.read_bytes() for path in out.rglob("*") if path.is_file()}


def quanta(one: bytes, other: bytes) -> tuple[int, float]:
    """How many stored numbers of two GLB differ, and by how many quanta at most; -1 when they do not match."""
    a, b = read_glb(one), read_glb(other)
    plain = [[{**x, "min": 0, "max": 0} for x in glb.json["accessors"]] for glb in (a, b)]
    if plain[0] != plain[1]:
        return -1, -1.0
    count, most = 0, 0.0
    for accessor in a.json["accessors"]:
        x, y = (stored(glb, accessor) for glb in (a, b))
        quantum = float(np.spacing(np.abs(x).max())) if x.dtype == np.float32 else 1.0
        steps = np.abs(x.astype(np.float64) - y.astype(np.float64)) / quantum
        count, most = count + int((steps > 0).sum()), max(most, float(steps.max(initial=0)))
    return count, most


def stored(glb, accessor) -> np.ndarray:
    """The numbers of an accessor as they are stored."""
    view = glb.json["bufferViews"][accessor["bufferView"]]
    start = view.get("byteOffset", 0) + accessor.get("byteOffset", 0)
    count = accessor["count"] * _WIDTHS[accessor["type"]]
    return np.frombuffer(glb.binary, _TYPES[accessor["componentType"]], count, start)


def facts_apart(one: bytes, other: bytes) -> list[str]:
    """Where two lists of clips say other things, but for sizes and hashes of files."""
    a, b = (json.loads(data) for data in (one, other))
    for said in (a, b):
        del said["files"]
    return list(_apart(a, b, ""))


def _apart(a, b, place: str):
    if isinstance(a, dict) and isinstance(b, dict) and a.keys() == b.keys():
        for key in a:
            yield from _apart(a[key], b[key], f"{place}.{key}")
    elif isinstance(a, list) and isinstance(b, list) and len(a) == len(b):
        for k, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from _apart(x, y, f"{place}[{k}]")
    elif a != b:
        yield f"{place.lstrip('.')}: {a} and {b}"


def main(arguments: list[str]) -> int:
    """Print what differs."""
    bad = False
    with tempfile.TemporaryDirectory() as scratch:
        first = packed(sys.executable, Path(scratch) / "here", _PLACES[0])
        runs = {"again, elsewhere": packed(sys.executable, Path(scratch) / "là bas" / "x y", _PLACES[1])}
        for other in arguments:
            runs[other] = packed(other, Path(scratch) / f"other {len(runs)}", _PLACES[1])
    for name, files in runs.items():
        same = files == first
        print(f"{name}: {f'{len(files)} files, byte for byte the same' if same else 'differs'}")
        bad |= not same and name == "again, elsewhere"
        for file in sorted(first.keys() | files.keys()):
            a, b = first.get(file, b""), files.get(file, b"")
            if a == b:
                continue
            if file.endswith(".glb"):
                count, most = quanta(a, b)
                print(f"  {file}: {count} stored numbers differ, by {most:.3g} quanta at most")
                bad |= not 0 <= most <= 1
            elif file == "clips.json":
                apart = facts_apart(a, b)
                print(f"  {file}: {len(apart)} facts differ")
                for line in apart[:20]:
                    print(f"    {line}")
            else:
                print(f"  {file}: differs")
    return int(bad)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
