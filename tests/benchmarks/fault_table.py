"""What a set is after a pack that did not get through: always the whole old one or the whole new one.

    python tests/benchmarks/fault_table.py [KILLS] [CHARACTERS]

Packs a small take over an existing set KILLS times (200 when left out) with other settings in turn, each run
killed (SIGKILL) at a random moment of its life, every second one while it writes, and looks whether every file
is of one set, as its list says, and whether a file of another hand is untouched. Then the same on a disk that is full (a tmpfs of a few sizes; needs root), and
on one that cannot be written.
CHARACTERS: pack for so many instead; their sets can be of two runs when one is killed between two renames, and
then `verify` must say so. Exit code 1 when a set was torn, or a full disk gave no clear error.
"""

from __future__ import annotations

import hashlib
import json
import os
import random
import subprocess
import sys
import tempfile
import time
from collections import Counter
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import rigs
import small_takes
from takemill.sets.set_folder import unfinished

RECIPE = 'name = "ferry"\nrate = {rate}\n[[clip]]\nname = "walk"\nfrom = 3.5\nto = 8\nloop = true\n'
FOREIGN = b"not Takemill's"


def command(out: Path, rigs: list[str], recipe: Path) -> list[str]:
    to = [item for rig in rigs for item in ("--to", rig)]
    take = str(recipe.parent / "walk.bvh")
    return [sys.executable, "-m", "takemill", "pack", take, "--recipe", str(recipe), *to, "--out", str(out)]


def recipes(folder: Path) -> list[Path]:
    """Two that give other bytes in every file, and the take."""
    small_takes.write(folder)
    found = []
    for name, rate in (("a", 30), ("b", 24)):
        found.append(folder / f"{name}.toml")
        found[-1].write_text(RECIPE.format(rate=rate))
    return found


def state(out: Path, foreign: bool = True) -> str:
    """A short name of the whole set in a folder, and of a foreign file in it; "torn" and why when it is none.

    What a killed run left in staging folders beside characters' sets is not looked at.
    """
    found = []
    for path in (one for one in sorted(out.rglob("clips.json")) if ".takemill-" not in str(one)):
        said = json.loads(path.read_bytes())
        for file in said["files"]:
            data = (path.parent / file["name"]).read_bytes()
            if hashlib.sha256(data).hexdigest() != file["sha256"]:
                return f"torn: {file['name']} is of another set"
        ours = {path.parent / file["name"] for file in said["files"]} | {path}
        ours |= {path.parent / "mine.txt"} if foreign else set()
        if {one for one in path.parent.rglob("*") if one.is_file()} != ours:
            return "torn: files are missing or left"
        if foreign and (path.parent / "mine.txt").read_bytes() != FOREIGN:
            return "torn: a file of another hand was changed"
        found.append(f"{said['clips'][0]['rate']:g} fps")
    if len(set(found)) > 1 and not unfinished(out):
        return f"torn: {', '.join(found)}, and verify would not know"
    return ", ".join(found) if found else "torn: there is no set"


def wait_for_writing(folder: Path, process: subprocess.Popen) -> None:
    """Until a new staging folder stands in a folder, or the process has ended."""
    before = set(folder.glob(".takemill-*"))
    while process.poll() is None and set(folder.glob(".takemill-*")) <= before:
        time.sleep(0.0005)


def killed(count: int, rigs: list[str], folder: Path) -> bool:
    """Whether a set was torn."""
    out, cooked = folder / "set", recipes(folder)
    started = time.perf_counter()
    subprocess.run(command(out, rigs, cooked[0]), check=True, capture_output=True)
    takes_s = time.perf_counter() - started
    for path in out.rglob("clips.json"):
        (path.parent / "mine.txt").write_bytes(FOREIGN)
    rng, seen = random.Random(7), Counter()
    for number in range(count):
        with subprocess.Popen(
            command(out, rigs, cooked[(number + 1) % 2]), stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        ) as process:
            # Half of them while files are written and change places.
            if number % 2:
                time.sleep(rng.uniform(0, 1) * takes_s)
            else:
                wait_for_writing(out if rigs else out.parent, process)
                time.sleep(rng.uniform(0, 0.15))
            ended = process.poll() is not None
            process.kill()
        seen[state(out), "after its end" if ended else "killed"] += 1
    subprocess.run(command(out, rigs, cooked[0]), check=True, capture_output=True)
    left = sorted(one.name for one in folder.iterdir())
    print(f"{count} packs of {takes_s:.1f} s, killed at random moments:")
    for (what, when), times in sorted(seen.items()):
        print(f"  {times:4}  {when}: {what}")
    print(
        f"  left beside the set after one more run: {', '.join(set(left) - {'set', 'a.toml', 'b.toml', 'walk.bvh'}) or 'nothing'}"
    )
    return any(what.startswith("torn") for what, _ in seen)


def full(sizes_kb: tuple[int, ...], folder: Path) -> bool:
    """Whether a full disk tore a set or gave another thing than one line."""
    cooked, bad = recipes(folder), False
    print("a disk that is full (tmpfs):")
    for size in sizes_kb:
        place = folder / f"disk {size}"
        place.mkdir()
        subprocess.run(["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(place)], check=True)
        try:
            out = place / "set"
            first = subprocess.run(command(out, [], cooked[0]), capture_output=True, text=True, check=False)
            if first.returncode == 0:
                (out / "mine.txt").write_bytes(FOREIGN)
            foreign = first.returncode == 0
            before = state(out) if out.exists() else "no set"
            done = subprocess.run(command(out, [], cooked[1]), capture_output=True, text=True, check=False)
            after = state(out, foreign) if out.exists() else "no set"
            left = sorted(one.name for one in place.iterdir() if one.name != "set")
            told = (done.stderr.strip() or done.stdout.strip().splitlines()[-1]).replace(str(place), "DISK")
            print(f"  {size:5} kB: {before} -> {after}; left: {', '.join(left) or 'nothing'}; {told}")
            clear = done.returncode == 0 or (done.returncode == 2 and done.stderr.count("\n") == 1)
            bad |= (
                after.startswith("torn")
                or not clear
                or (done.returncode != 0 and before != after)
                or bool(left)
            )
        finally:
            subprocess.run(["umount", str(place)], check=True)
    return bad


def read_only(folder: Path) -> bool:
    """Whether a disk that cannot be written gave another thing than one line."""
    cooked, place = recipes(folder), folder / "read-only"
    place.mkdir()
    subprocess.run(["mount", "-t", "tmpfs", "tmpfs", str(place)], check=True)
    try:
        out = place / "set"
        subprocess.run(command(out, [], cooked[0]), check=True, capture_output=True)
        subprocess.run(["mount", "-o", "remount,ro", str(place)], check=True)
        done = subprocess.run(command(out, [], cooked[1]), capture_output=True, text=True, check=False)
        after = state(out, foreign=False)
        told = (done.stderr.strip() or "nothing is said").replace(str(place), "DISK")
        print(f"a disk that cannot be written: {after}; {told}")
        return after != "30 fps" or done.returncode != 2 or done.stderr.count("\n") != 1
    finally:
        subprocess.run(["umount", str(place)], check=True)


def main(arguments: list[str]) -> int:
    """Print what was seen."""
    count, characters = (int(arguments[k]) if len(arguments) > k else n for k, n in ((0, 200), (1, 0)))
    with tempfile.TemporaryDirectory() as place:
        (Path(place) / "kills").mkdir()
        (Path(place) / "disks").mkdir()
        torn, bad = killed(count, cast(characters, Path(place)), Path(place) / "kills"), False
        if os.name == "posix" and os.geteuid() == 0:
            bad = full((16, 100, 160, 240, 2000), Path(place) / "disks")
            bad |= read_only(Path(place) / "disks")
        else:
            print("disks that are full or cannot be written: only root can mount those")
    return int(torn or bad)


def cast(count: int, folder: Path) -> list[str]:
    """So many characters' files."""
    skeleton, found = small_takes.stand_and_walk().skeleton, []
    for number in range(count):
        size = 1 + 0.2 * number
        parts = {
            "rest_translation": size * skeleton.rest_translation,
            "tip_offsets": size * skeleton.tip_offsets,
        }
        path = folder / f"character_{number}.glb"
        path.write_bytes(rigs.character(replace(skeleton, **parts)))
        found.append(str(path))
    return found


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
