"""The list of a set, sealed with a digest of itself, and which files of a folder are Takemill's by it.

Ours is what lies in the folder with the bytes and the digest that our own list states, and nothing else: a
file that was changed since, and whatever a list without its own digest states, belongs to somebody else.
"""

from __future__ import annotations

import hashlib
import json
import os
import stat
from collections.abc import Mapping
from pathlib import Path, PurePosixPath
from typing import Any

LIST = "clips.json"
"""The file that lists, under "files", what Takemill wrote into its folder."""

SEAL = "sha256"
"""The key of the list's own digest."""

Claim = tuple[int, str]
"""What a list states of a file: how many bytes, and their SHA-256."""


def seal_of(said: Mapping[str, Any]) -> str:
    """The digest of a list: of its JSON with sorted keys and without spaces, its own digest left out.

    Raises:
        ValueError: it holds what JSON cannot.
    """
    rest = {key: value for key, value in said.items() if key != SEAL}
    text = json.dumps(rest, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)
    return hashlib.sha256(text.encode()).hexdigest()


def add_seal(said: Mapping[str, Any]) -> dict[str, Any]:
    """The list with its digest."""
    return {**said, SEAL: seal_of(said)}


def is_sealed(said: Any) -> bool:
    """Whether a list bears its own digest: it is as it was written."""
    try:
        return bool(said[SEAL] == seal_of(said))
    except (ValueError, TypeError, KeyError, AttributeError, RecursionError):
        return False


def claim_of(data: bytes) -> Claim:
    """What a list states of a file with these bytes."""
    return len(data), hashlib.sha256(data).hexdigest()


def is_inside(name: str) -> bool:
    """Whether a relative name (with slashes) stays in its folder, on every system."""
    path = PurePosixPath(name)
    inside = bool(path.parts) and not path.is_absolute() and ".." not in path.parts
    return inside and not any(mark in name for mark in "\\:\0")


def read_plain(path: Path) -> bytes | None:
    """What a file holds; None for anything else (a link, a pipe, a device, nothing), which is not opened."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):
            return None
        return path.read_bytes()
    except (OSError, ValueError):
        return None


def listed_names(folder: Path) -> set[str]:
    """The files that a list in `folder` names as Takemill's, the list itself among them; empty without one.

    They may have been changed since, or never have been Takemill's: see `claims`.
    """
    said = _read_facts(folder)
    return {LIST} | _read_claims(said).keys() if said is not None else set()


def claims(folder: Path) -> dict[str, Claim]:
    """What lay in `folder` when Takemill wrote its set; empty where the list was changed since."""
    said = _read_facts(folder)
    return _read_claims(said) if is_sealed(said) else {}


def is_ours(folder: Path, name: str, stated: Mapping[str, Claim]) -> bool:
    """Whether a file of `folder` is Takemill's: what its list states of it, or the list as it was written."""
    if name == LIST:
        return is_sealed(_read_facts(folder))
    wanted = stated.get(name)
    if wanted is None:
        return False
    try:
        status = os.lstat(folder / name)
    except (OSError, ValueError):
        return False
    if not stat.S_ISREG(status.st_mode) or status.st_size != wanted[0]:
        return False
    data = read_plain(folder / name)
    return data is not None and claim_of(data) == wanted


def _read_facts(folder: Path) -> Any:
    """A list that says it is Takemill's; None where there is none."""
    try:
        said = json.loads(read_plain(folder / LIST) or b"")
        if said["tool"]["name"] == "takemill" and isinstance(said["files"], list):
            return said
    except (ValueError, TypeError, KeyError, RecursionError):
        pass
    return None


def _read_claims(said: Any) -> dict[str, Claim]:
    found = {}
    for file in said["files"]:
        try:
            name, claim = file["name"], (file["bytes"], file["sha256"])
        except (TypeError, KeyError):
            continue
        if isinstance(name, str) and is_inside(name) and name != LIST:
            found[name] = claim
    return found
