"""Other people's files in a set's folder: carried into the new one, and rescued from the old one.

A file that a program saves into the old folder while the new one is made is found when the two have
changed places, and moved. Nothing of theirs is ever taken away or written over: where two have one name, the
older one is kept beside as NAME.kept, and that is said.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import stat
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path

from ..base.disk import sync_entries, write_synced
from .set_list import Claim, claims, is_ours

KEPT = ".kept"
_PIECE = 1 << 20  # bytes that are compared at a time

Identity = list[int]
"""By which a file is known to be untouched: inode, size, time of the last change, ns."""


@dataclass(frozen=True)
class Carried:
    """What was carried over.

    Attributes:
        moved: old relative name -> new one, for files under a name of the old or the new set.
        files: old relative name -> what was put into the new folder for it.
        said: a line for each that was Takemill's and was changed since.
    """

    moved: dict[str, str]
    files: dict[str, Identity]
    said: tuple[str, ...]


def carry_over(old: Path, new: Path, wanted: Mapping[str, object]) -> Carried:
    """Link (or copy, where files cannot be linked) what others put into `old`.

    Args:
        old: the folder as it is.
        new: the one that is being made.
        wanted: the relative names of the new set.

    Raises:
        OSError: something there can be neither linked nor copied.
    """
    stated, moved, files, said = claims(old), {}, {}, []
    folders = []
    for relative, is_folder in entries(old):
        source, name = old / relative, relative.as_posix()
        if is_folder:
            (new / relative).mkdir(parents=True, exist_ok=True)
            folders.append(relative)
            continue
        if is_ours(old, name, stated):
            continue
        there = new / relative
        if name in wanted or name in stated:  # a later pack may want a name that is free now
            there = _free_name(there, old / relative)
            moved[name] = there.relative_to(new).as_posix()
            said.append(f"{old / name} was changed after it was packed; it is kept as {there.name}")
        _link_or_copy(source, there)
        files[name] = identity(there)
    for relative in reversed(folders):  # what only held files of the old set goes with them
        kept = next((new / relative).iterdir(), None) or not any(_files(old / relative))
        if not kept:
            (new / relative).rmdir()
    return Carried(moved, files, tuple(said))


def rescue(old: Path, place: Path, new: Mapping[str, Claim], carried: Carried) -> tuple[list[str], bool]:
    """Move out of `old` what is of others and not in `place`: it was saved there meanwhile.

    Args:
        old: the folder that is about to go.
        place: the one that stays.
        new: what the new set's list states.
        carried: what was carried over from `old`.

    Returns:
        What was kept under another name, and whether all that is left in `old` may go.
    """
    stated, said, clean = claims(old), [], True
    touched = {place}
    put = {carried.moved.get(name, name): one for name, one in carried.files.items()}
    for relative, is_folder in entries(old):
        source, name = old / relative, relative.as_posix()
        if is_folder or is_ours(old, name, new) or is_ours(old, name, stated):
            continue
        known, target = carried.files.get(name), place / carried.moved.get(name, name)
        try:
            if identity(source) in (known, put.get(name)) or _same(source, target):
                continue
            _make_parents(target, place, touched)
            if not os.path.lexists(target) and (name not in stated or name in carried.moved):
                _move(source, target)
            elif known is not None and known == identity(target):
                os.replace(source, target)
            else:
                target = _free_name(target)
                _move(source, target)
                said.append(
                    f"{place / name} was saved while the set was written; it is kept as {target.name}"
                )
        except FileNotFoundError:  # its program has just renamed or removed it
            continue
        except OSError as problem:
            clean = False
            said.append(
                f"{source} cannot be moved to {target}: {problem.strerror or problem}; it stays there"
            )
    for folder in touched:
        sync_entries(folder)
    return said, clean


def has_files_of_others(folder: Path, new: Mapping[str, Claim]) -> bool:
    """Whether a folder holds files that the new set's list does not state."""
    return any(
        not is_ours(folder, one.as_posix(), new) for one, is_folder in entries(folder) if not is_folder
    )


def entries(folder: Path) -> Iterator[tuple[Path, bool]]:
    """Relative path of everything below a folder, what is deeper later, and whether it is a folder itself."""
    for above, folders, names in os.walk(folder):
        for name in (*folders, *names):
            path = Path(above, name)
            yield path.relative_to(folder), name in folders and not path.is_symlink()


def identity(path: Path) -> Identity:
    """A file's inode, size and time of change; a link's own."""
    status = os.lstat(path)
    return [status.st_ino, status.st_size, status.st_mtime_ns]


def remove_tree(folder: Path) -> None:
    """Take a folder away with all that is in it; links are not followed."""
    for above, folders, names in os.walk(folder, topdown=False):
        with contextlib.suppress(OSError):
            os.chmod(above, 0o700)
        for name in names:
            os.unlink(Path(above, name))
        for name in folders:
            path = Path(above, name)
            if path.is_symlink():
                os.unlink(path)
            else:
                os.rmdir(path)
    with contextlib.suppress(FileNotFoundError):
        os.rmdir(folder)


def _files(folder: Path) -> Iterator[Path]:
    return (one for one, is_folder in entries(folder) if not is_folder)


def _free_name(path: Path, *others: Path) -> Path:
    """A name beside `path` that nothing there has yet; nor beside `others`."""
    count = 1
    while True:
        ending = KEPT + (f"-{count}" if count > 1 else "")
        found = [one.with_name(one.name + ending) for one in (path, *others)]
        if not any(map(os.path.lexists, found)):
            return found[0]
        count += 1


def _make_parents(target: Path, place: Path, touched: set[Path]) -> None:
    for folder in (*reversed(target.relative_to(place).parents[:-1]),):
        if not (place / folder).is_dir():
            touched.add((place / folder).parent)
        (place / folder).mkdir(exist_ok=True)
    touched.add(target.parent)


def _move(source: Path, target: Path) -> None:
    """Rename, but never over a file that appears at that very moment."""
    try:
        os.link(source, target, follow_symlinks=False)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):
        os.rename(source, target)
    else:
        os.unlink(source)


def _link_or_copy(source: Path, there: Path) -> None:
    try:
        os.link(source, there, follow_symlinks=False)
    except (OSError, NotImplementedError) as problem:
        status = os.lstat(source)
        if not (stat.S_ISREG(status.st_mode) or stat.S_ISLNK(status.st_mode)):
            reason = f"{source} is neither a file nor a folder, and cannot be kept; move it elsewhere"
            raise OSError(getattr(problem, "errno", None), reason) from problem
        _copy(source, there)


def _copy(source: Path, there: Path) -> None:
    """A file or a link, with its times and rights, synced."""
    if source.is_symlink():
        os.symlink(os.readlink(source), there)
        return
    with open(source, "rb") as file:
        write_synced(there, iter(lambda: file.read(_PIECE), b""))
    shutil.copystat(source, there)


def _same(one: Path, other: Path) -> bool:
    """Whether two names lead to one file, or to files that hold the same; links to where they lead."""
    if not os.path.lexists(other):
        return False
    kinds = [stat.S_IFMT(os.lstat(path).st_mode) for path in (one, other)]
    if kinds[0] != kinds[1]:
        return False
    if os.path.samestat(os.lstat(one), os.lstat(other)):
        return True
    if stat.S_ISLNK(os.lstat(one).st_mode):
        return os.readlink(one) == os.readlink(other)
    return stat.S_ISREG(os.lstat(one).st_mode) and _same_bytes(one, other)


def _same_bytes(one: Path, other: Path) -> bool:
    if os.path.getsize(one) != os.path.getsize(other):
        return False
    with open(one, "rb") as left, open(other, "rb") as right:
        while piece := left.read(_PIECE):
            if piece != right.read(_PIECE):
                return False
    return True
