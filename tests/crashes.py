"""A disk that is cut off: every call that changes it is counted, and from one of them on nothing happens.

The layer stands between the code and the system's calls, so that all points of a run can be tried, each in
a few milliseconds. `Model` keeps what a disk has for certain: after a power cut, what was not synced is
forgotten.
"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import stat
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from takemill.sets import set_folder_stage

ONE_PATH = ("mkdir", "rmdir", "unlink", "chmod", "utime")
TWO_PATHS = ("rename", "replace", "link")
REAL = {
    name: getattr(os, name) for name in (*ONE_PATH, *TWO_PATHS, "open", "close", "write", "fsync", "symlink")
}
EXCHANGE = set_folder_stage._swap_folders


class CutError(BaseException):
    """The process is gone: nothing can catch it but the test."""


class Model:
    """What a disk holds below `root`, by inode, and in which order it came to.

    An event is a list of entries (folder, name, inode or None) that change together, the data of a file, or a
    sync of an inode.
    """

    def __init__(self, root: Path) -> None:
        self.root, self.start, self.trees, self.data = root, {}, {}, {}
        self.links: dict[int, str] = {}
        self.events: list[tuple[str, Any]] = []
        self.handles: dict[int, int] = {}
        self.by_real: dict[int, int] = {}
        self.times: dict[int, int] = {}
        self.top = self._load(root)
        self.start = {folder: dict(names) for folder, names in self.trees.items()}
        self.old = dict(self.data)

    def _load(self, path: Path) -> int:
        status = os.lstat(path)
        if status.st_ino in self.by_real:
            return self.by_real[status.st_ino]
        node = self.by_real[status.st_ino] = len(self.by_real)
        if stat.S_ISDIR(status.st_mode):
            self.trees[node] = {name: self._load(path / name) for name in sorted(os.listdir(path))}
        elif stat.S_ISLNK(status.st_mode):
            self.links[node] = os.readlink(path)
        else:
            self.data[node] = path.read_bytes()
        self.times[node] = status.st_mtime_ns
        return node

    def new_node(self) -> int:
        node = len(self.by_real)
        self.by_real[-node] = node
        return node

    def find(self, path: Any) -> tuple[int, str]:
        """The folder and the name of a path; the last part is not followed."""
        parts = Path(path).relative_to(self.root).parts
        folder = self.top
        for part in parts[:-1]:
            folder = self.trees[folder][part]
        return folder, parts[-1] if parts else ""

    def node(self, path: Any) -> int:
        folder, name = self.find(path)
        return self.trees[folder][name] if name else folder

    def has(self, path: Any) -> bool:
        try:
            self.node(path)
        except KeyError:
            return False
        return True

    def change(self, *entries: tuple[int, str, int | None]) -> None:
        self.events.append(("entries", entries))
        _apply(self.trees, entries)

    def states(self) -> Iterator[tuple[int, str, dict, dict]]:
        """What a power cut can leave after each event: entries by folder, data by file.

        "forgets": only what was synced by itself. "journal": entries in their order, as far as any folder was
        synced. "entries": all entries, but only synced data.
        """
        for stop in range(len(self.events) + 1):
            events = self.events[:stop]
            synced = {node: at for at, (kind, node) in enumerate(events) if kind == "sync"}
            folders = {at for node, at in synced.items() if node in self.trees}
            last = max(folders, default=-1)
            for policy in ("forgets", "journal", "entries"):
                trees = {folder: dict(names) for folder, names in self.start.items()}
                data = dict(self.old)
                for at, (kind, what) in enumerate(events):
                    if kind == "entries" and (
                        policy == "entries"
                        or (policy == "journal" and at < last)
                        or any(synced.get(folder, -1) > at for folder, _, _ in what)
                    ):
                        _apply(trees, what)
                    elif kind == "data" and synced.get(what[0], -1) > at:
                        data[what[0]] = what[1]
                yield stop, policy, trees, data

    def write(self, trees: dict, data: dict, place: Path) -> None:
        """Make a state real; inodes, which a disk keeps, are told anew to what remembers them."""
        made: dict[int, Path] = {}

        def put(node: int, path: Path) -> None:
            if node in self.trees:
                path.mkdir()
                for name, below in trees.get(node, {}).items():
                    put(below, path / name)
            elif node in made:
                os.link(made[node], path, follow_symlinks=False)
            elif node in self.links:
                path.symlink_to(self.links[node])
                os.utime(path, ns=(self.times.get(node, 0),) * 2, follow_symlinks=False)
                made[node] = path
            else:
                path.write_bytes(data.get(node, b""))
                os.utime(path, ns=(self.times.get(node, 0),) * 2)
                made[node] = path

        put(self.top, place)
        for path in place.glob(".takemill-*/ready.json"):
            with contextlib.suppress(ValueError):
                told = json.loads(path.read_bytes())
                for found in told["carried"]["files"].values():
                    node = self.by_real[found[0]]
                    found[0] = os.lstat(made[node]).st_ino if node in made else 0
                path.write_text(json.dumps(told))


def _apply(trees: dict, entries: Any) -> None:
    for folder, name, node in entries:
        names = trees.setdefault(folder, {})
        names.pop(name, None)
        if node is not None:
            names[name] = node


class Disk:
    """Counts the calls that change the disk, cuts one off, and tells a model of the others.

    Args:
        stop: the number of the call, from 1; 0 for none.
        how: "kill": nothing happens from it on (of a write, half has happened); "fail": it is refused, once;
            "interrupt" and "interrupt after": Ctrl-C before it and after it.
        model: told of all that happens.
        hook: called before each call with its number; what it does is not counted.
    """

    def __init__(
        self,
        stop: int = 0,
        how: str = "kill",
        model: Model | None = None,
        hook: Callable[[int, str], None] = lambda *_: None,
        swaps: bool = True,
    ) -> None:
        self.stop, self.how, self.model, self.hook, self.swaps = stop, how, model, hook, swaps
        self.count, self.dead, self.inside = 0, False, False

    def call(self, name: str, act: Callable[[], Any], half: Callable[[], Any] = lambda: None) -> Any:
        """Do what a call does, or not."""
        if self.inside:
            return act()
        if self.dead:
            raise CutError
        self.count += 1
        self.inside = True
        try:
            self.hook(self.count, name)
            if self.count != self.stop:
                return act()
            if self.how == "kill":
                self.dead = True
                half()
                raise CutError
            if self.how == "fail":
                raise OSError(errno.EIO, "Input/output error")
            if self.how == "interrupt after":
                act()
            raise KeyboardInterrupt
        finally:
            self.inside = False

    @contextlib.contextmanager
    def watching(self) -> Iterator[Disk]:
        """Put the layer between the code and the system."""
        layer = {name: self._one(name) for name in ONE_PATH} | {name: self._two(name) for name in TWO_PATHS}
        layer |= {
            "symlink": self._symlink,
            "open": self._open,
            "write": self._write,
            "fsync": self._fsync,
            "close": self._close,
        }
        for name, act in layer.items():
            setattr(os, name, act)
        set_folder_stage._swap_folders = self._swap_folders
        try:
            yield self
        finally:
            for name in layer:
                setattr(os, name, REAL[name])
            set_folder_stage._swap_folders = EXCHANGE

    def _one(self, name: str) -> Callable[..., Any]:
        def do(path: Any, *args: Any, **kwargs: Any) -> Any:
            def act() -> Any:
                out = REAL[name](path, *args, **kwargs)
                if self.model and name in ("mkdir", "rmdir", "unlink"):
                    folder, label = self.model.find(path)
                    node = self.model.new_node() if name == "mkdir" else None
                    if node is not None:
                        self.model.trees[node] = {}
                    self.model.change((folder, label, node))
                return out

            return self.call(name, act)

        return do

    def _two(self, name: str) -> Callable[..., Any]:
        def do(one: Any, other: Any, **kwargs: Any) -> Any:
            def act() -> Any:
                out = REAL[name](one, other, **kwargs)
                if self.model:
                    (a, left), (b, right), node = *map(self.model.find, (one, other)), self.model.node(one)
                    gone = () if name == "link" else ((a, left, None),)
                    self.model.change(*gone, (b, right, node))
                return out

            return self.call(name, act)

        return do

    def _symlink(self, target: Any, path: Any, **_: Any) -> None:
        def act() -> None:
            REAL["symlink"](target, path)
            if self.model:
                node = self.model.new_node()
                self.model.links[node] = os.fspath(target)
                self.model.change((*self.model.find(path), node))

        self.call("symlink", act)

    def _swap_folders(self, one: Path, other: Path) -> bool:
        if not self.swaps:
            return False

        def act() -> bool:
            out = EXCHANGE(one, other)
            assert out, "this test needs a disk on which folders change places"
            if self.model:
                (a, left), (b, right) = map(self.model.find, (one, other))
                nodes = self.model.node(one), self.model.node(other)
                self.model.change((a, left, nodes[1]), (b, right, nodes[0]))
            return out

        return self.call("exchange", act)

    def _open(self, path: Any, flags: int, *args: Any, **kwargs: Any) -> int:
        def act() -> int:
            new = self.model is not None and flags & os.O_CREAT and not self.model.has(path)
            handle = REAL["open"](path, flags, *args, **kwargs)
            if self.model and new:
                node = self.model.new_node()
                self.model.data[node] = b""
                self.model.change((*self.model.find(path), node))
            if self.model and self.model.has(path):
                self.model.handles[handle] = self.model.node(path)
            return handle

        return self.call("open", act) if flags & (os.O_CREAT | os.O_WRONLY | os.O_RDWR) else act()

    def _write(self, handle: int, data: Any) -> int:
        def act() -> int:
            size = REAL["write"](handle, data)
            if self.model and handle in self.model.handles:
                node = self.model.handles[handle]
                self.model.data[node] += bytes(data[:size])
                self.model.events.append(("data", (node, self.model.data[node])))
            return size

        return self.call("write", act, lambda: REAL["write"](handle, data[: len(data) // 2]))

    def _fsync(self, handle: int) -> None:
        def act() -> None:
            if self.model and handle in self.model.handles:
                self.model.events.append(("sync", self.model.handles[handle]))

        self.call("fsync", act)

    def _close(self, handle: int) -> None:
        if self.model:
            self.model.handles.pop(handle, None)
        REAL["close"](handle)
