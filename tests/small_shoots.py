"""Small shoots on disk: short takes with recipes beside them, two characters, and builds in this process."""

from __future__ import annotations

import shutil
from concurrent.futures import ThreadPoolExecutor
from dataclasses import replace
from functools import cache
from pathlib import Path

import small_takes
import synthetic
from rigs import character
from takemill.shoot.build_shoot import Built, Workers, build_shoot
from takemill.shoot.run_jobs import ignore_step

IDLE = '[[clip]]\nname = "{}"\nkind = "idle"\nfrom = 0.2\nto = {}\n'
SHOOT = 'takes = ["takes/*.bvh"]\ncharacters = ["characters/*.glb"]\n'
HERE = Workers(1, lambda: ThreadPoolExecutor(1))
"""One job at a time, in this process."""


@cache
def short_idle(seconds: float = 2.0):
    return synthetic.idle(rate=30.0, duration_s=seconds).motion


def write_takes(folder: Path, count: int = 3) -> None:
    """Takes a, b, c ... of one clip each, in `folder`/takes."""
    (folder / "takes").mkdir(parents=True)
    for number in range(count):
        name = chr(ord("a") + number)
        small_takes.write(folder / "takes", f"{name}.bvh", short_idle(2.0 + 0.1 * number))
        (folder / f"takes/{name}.toml").write_text(IDLE.format(f"{name}_rest", 1.5))


def write_characters(folder: Path) -> None:
    (folder / "characters").mkdir()
    skeleton = short_idle().skeleton
    for name, size in (("courier", 0.9), ("tall", 1.2)):
        grown = replace(
            skeleton,
            rest_translation=size * skeleton.rest_translation,
            tip_offsets=size * skeleton.tip_offsets,
        )
        (folder / f"characters/{name}.glb").write_bytes(character(grown))


def write_shoot(folder: Path, more: str = "", count: int = 3) -> Path:
    """A shoot of so many takes for two characters; the shoot file."""
    write_takes(folder, count)
    write_characters(folder)
    (folder / "shoot.toml").write_text(SHOOT + more)
    return folder / "shoot.toml"


def build(shoot: Path, workers: Workers = HERE, on_step=ignore_step) -> Built:
    """A build into the folder `out` beside the shoot file."""
    return build_shoot(shoot, shoot.parent / "out", workers, on_step)


def results(out: Path) -> dict[str, bytes]:
    """All that a build gives: the files below its output, but for its own store."""
    return {
        path.relative_to(out).as_posix(): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and ".takemill" not in path.relative_to(out).parts
    }


def copy(folder: Path, to: Path) -> Path:
    """A shoot with its output, elsewhere; times of change are kept."""
    shutil.copytree(folder, to, copy_function=shutil.copy2)
    return to / "shoot.toml"
