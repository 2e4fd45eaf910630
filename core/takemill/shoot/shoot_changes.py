"""What a build changed since the one before: clips that are new, gone, or play otherwise, by how much."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from ..sets.clip_facts import Facts, round_number
from .shoot_facts import largest_change_mm
from .store import Store

Keys = Mapping[str, str]
"""By folder of each set, its key in the store."""


def find_changes(last: Mapping[str, Any], keys: Keys, store: Store) -> Facts | None:
    """By clip ("folder/name"), what became of it; None where no build was before, or none changed a set.

    A build that changes nothing has the changes of the last one that did.
    """
    before = last.get("sets")
    if before is None:
        return None
    if before == keys:
        found: Facts | None = last.get("changes")
        return found
    changes: Facts = {}
    for folder in sorted({*before, *keys}):
        if before.get(folder) != keys.get(folder):
            old, new = (_points(store, one.get(folder)) for one in (before, keys))
            for name in sorted({*old, *new}):
                changes[f"{folder}/{name}"] = _describe_change(old.get(name), new.get(name))
    return changes


def _points(store: Store, key: str | None) -> dict[str, tuple[float, Any]]:
    """By clip of a set, how long it is and the points of its figure."""
    known = store.get("set", key) if key else None
    if known is None:
        return {}
    return {clip["name"]: (clip["duration_s"], known["points"][clip["name"]]) for clip in known["clips"]}


def _describe_change(old: tuple[float, Any] | None, new: tuple[float, Any] | None) -> Facts:
    if old is None or new is None:
        return {"what": "gone" if new is None else "new"}
    moved_mm = largest_change_mm(old[1], new[1]) if old[0] == new[0] else None
    if moved_mm is None:
        return {"what": "another length"}
    return {"what": "moved", "mm": round_number(moved_mm, 1)} if moved_mm else {"what": "made again"}
