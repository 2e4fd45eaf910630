"""The index of a shoot: all takes and sets, in the takes' order; nothing in it depends on the clock."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from .. import __version__
from ..files.take_address import file_of
from ..sets.clip_facts import Facts
from ..sets.set_list import LIST
from .build_plan import BuildPlan
from .store import Store

VERSION = 1
"""Of the layout of index.json; it changes when a reader of the old one would fail."""

INDEX, PAGE = "index.json", "index.html"

Missing = Sequence[tuple[str, str]]
"""What could not be made, and why."""


def shoot_index(
    plan: BuildPlan, store: Store, out_dir: Path, lost: Missing
) -> tuple[Facts, Mapping[str, Any]]:
    """What index.json says, and the points of all clips' figures by folder of their set and name.

    `lost` is what the build could not make; clips that no build can make are found in the store.
    """
    takes: list[Facts] = []
    sets: dict[str, Facts] = {}
    points: dict[str, Any] = {}
    missing = list(lost)
    for take in plan.takes:
        known = store.get("health", plan.repaired[take.name])
        takes.append({**(known or {"name": take.name}), "file": _file(plan, take.address)})
        for folder in plan.folders:
            made = store.get("made", plan.made[take.name, folder])
            if made is None:
                continue
            missing += [(what, why) for what, why in made["not_made"] if (what, why) not in missing]
            takes[-1].setdefault("notes", []).extend(made["lines"])
            _add_sets(made, folder, store, sets, points)
    for job in plan.shared:
        made = store.get("made", job.folder.key)
        if made is not None:
            _add_sets(made, job.folder.name, store, sets, points)
    index = {
        "schema_version": VERSION,
        "tool": {"name": "takemill", "version": __version__},
        "name": plan.shoot.name,
        "characters": list(plan.folders),
        "takes": takes,
        "sets": list(sets.values()),
        "missing": [{"what": what, "why": why} for what, why in missing],
        "left_over": _left_over(plan, list(sets.values()), out_dir),
    }
    return index, points


def _add_sets(made: Facts, folder: str, store: Store, sets: dict[str, Facts], points: dict[str, Any]) -> None:
    for _, key in made["sets"]:
        known = store.get("set", key)
        if known is not None:
            facts = {name: value for name, value in known.items() if name not in ("points", "files", "lines")}
            sets[known["folder"]] = {"character": folder, **facts}
            points[known["folder"]] = known["points"]


def _file(plan: BuildPlan, address: str) -> str:
    """Where a take is, from the shoot file, so that the index is the same wherever the shoot lies."""
    path, base = file_of(address).absolute(), plan.shoot.path.absolute().parent
    return path.relative_to(base).as_posix() if path.is_relative_to(base) else path.name


def _left_over(plan: BuildPlan, sets: Sequence[Facts], out_dir: Path) -> list[str]:
    """Sets in the characters' folders that no take makes any more, or none could make this time."""
    found = [path.parent for name in plan.folders for path in sorted((out_dir / name).glob(f"*/{LIST}"))]
    places, made = [path.relative_to(out_dir).as_posix() for path in found], {one["folder"] for one in sets}
    return [place for place in places if place not in made]


def read_index(out_dir: Path) -> Facts:
    """The index that the last build wrote; empty where there is none, or no page beside it."""
    try:
        found = json.loads((out_dir / INDEX).read_bytes())
        return found if isinstance(found, dict) and (out_dir / PAGE).is_file() else {}
    except (OSError, ValueError):
        return {}


def is_index_of(index: Facts, plan: BuildPlan, out_dir: Path) -> bool:
    """Whether an index of the same results still says what is there, and where."""
    try:
        return bool(
            index["name"] == plan.shoot.name
            and index["characters"] == list(plan.folders)
            and [one["file"] for one in index["takes"]] == [_file(plan, one.address) for one in plan.takes]
            and index["left_over"] == _left_over(plan, index["sets"], out_dir)
        )
    except (KeyError, TypeError):
        return False
