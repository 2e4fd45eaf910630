"""A folder watched: files that are saved are handed out to be judged, and a session is made of what comes."""

from __future__ import annotations

import contextlib
import os
from collections import Counter
from collections.abc import Iterator, Mapping
from concurrent.futures import BrokenExecutor, Executor, Future
from dataclasses import dataclass
from pathlib import Path

from ..base.errors import TakemillError
from ..files.take_address import file_of, name_of
from ..files.take_motion import takes_in
from ..recipe.recipe import Recipe
from ..sets.take_files import read_take
from ..shoot.build_jobs import why_of
from ..shoot.run_jobs import OpenExecutor
from ..shoot.shoot_file import ShootFile
from ..shoot.shoot_takes import recipe_beside
from .saved_files import MAX_PAUSE_S, SavedFiles
from .session import SavedTake, Session, UnreadTake, judge_session
from .take_verdict import judge_take_alone

_MAX_DEATHS = 2  # of processes that judge a file: the first may be another's fault


@dataclass(frozen=True)
class Shown:
    """What there is to see of a watched folder.

    Attributes:
        folder: its name.
        session: its takes.
        under_way: names of files that are being saved or judged.
        trouble: why the folder cannot be read; "" where it can.
    """

    folder: str
    session: Session
    under_way: tuple[str, ...] = ()
    trouble: str = ""


def judge_file(path: str, shoot: ShootFile | None) -> tuple[SavedTake, ...]:
    """The takes in a file, each judged as its recipe says; what cannot be read is told."""
    try:
        addresses = list(map(str, takes_in([path])))
    except (TakemillError, OSError, MemoryError) as problem:
        return (_unread(path, problem),)
    return tuple(_judge(address, shoot) for address in addresses)


def _judge(address: str, shoot: ShootFile | None) -> SavedTake:
    name = name_of(address)
    try:
        recipe = recipe_beside(shoot, address) if shoot else Recipe()
        motion, body, _ = read_take(address, recipe)
        return judge_take_alone(name, motion, body, recipe, bool(shoot and shoot.shots))
    except (TakemillError, OSError, MemoryError) as problem:
        return _unread(address, problem)


def _unread(address: str, problem: BaseException) -> UnreadTake:
    """Without the folder, which all takes share."""
    folder = f"{file_of(address).parent}{os.sep}"
    return UnreadTake(name_of(address), why_of(problem).replace(folder, ""))


def _be_ready() -> None:
    """What a process does first: it has read this module by then."""


class Watcher:
    """What happens to the files of a folder; `step` is called again and again."""

    def __init__(
        self, folder: Path, shoot: ShootFile | None, open_executor: OpenExecutor, width: int
    ) -> None:
        self.files, self.shoot, self.width = SavedFiles(folder), shoot, width
        self._open_executor = open_executor
        self._executor: Executor | None = None
        self._stack = contextlib.ExitStack()
        self._waiting: set[Path] = set()
        self._under_way: dict[Path, Future[tuple[SavedTake, ...]]] = {}
        self._found: dict[Path, tuple[SavedTake, ...]] = {}
        self._deaths: Counter[Path] = Counter()
        self._takes: list[SavedTake] = []
        self._shots: Mapping[str, str] = shoot.shots if shoot else {}
        self.shown = Shown(str(folder), judge_session((), self._shots))

    @contextlib.contextmanager
    def opened(self) -> Iterator[Watcher]:
        """While its executor is open, whose processes begin before there is a take to judge."""
        with self._stack:
            self._expect_executor().submit(_be_ready)
            yield self

    def _expect_executor(self) -> Executor:
        if self._executor is None:
            self._executor = self._stack.enter_context(self._open_executor())
        return self._executor

    def step(self, now_s: float) -> bool:
        """Look at the folder, hand out what was saved, collect what was judged; whether there is news."""
        look = self.files.look(now_s)
        for path in look.gone:
            self._forget(path)
        for path in look.saved:
            self._waiting.add(path)
        for path in [path for path, one in self._under_way.items() if one.done()]:
            self._collect(path)
        self._hand_out()
        if look.trouble:
            shown = Shown(self.shown.folder, self.shown.session, (), look.trouble)
        else:
            shown = self._show(now_s)
        news, self.shown = shown != self.shown, shown
        return news

    def _forget(self, path: Path) -> None:
        self._waiting.discard(path)
        self._found.pop(path, None)
        if (future := self._under_way.pop(path, None)) is not None:
            future.cancel()

    def _hand_out(self) -> None:
        """Give as many to the executor as it works on at a time, those saved last first."""
        for path in sorted(self._waiting, key=self.files.saved_at, reverse=True):
            if len(self._under_way) >= self.width:
                return
            if path in self._under_way:  # changed while it is judged: it waits for that to end
                continue
            try:
                self._under_way[path] = self._expect_executor().submit(judge_file, str(path), self.shoot)
            except BrokenExecutor:
                self._executor = None
                return
            self._waiting.discard(path)

    def _collect(self, path: Path) -> None:
        future = self._under_way.pop(path)
        try:
            found = future.result()
        except BrokenExecutor:
            self._executor = None
            self._deaths[path] += 1
            if self._deaths[path] < _MAX_DEATHS:
                self._waiting.add(path)
                return
            found = (UnreadTake(path.stem, "the process that judged it died: killed, or out of memory"),)
        except Exception as problem:  # a fault of ours in one take: the others go on
            found = (UnreadTake(path.stem, f"{type(problem).__name__}: {why_of(problem)}"),)
        if self.files.is_given(path):  # else it has changed meanwhile, and is judged again
            self._found[path] = found

    def _show(self, now_s: float) -> Shown:
        takes: list[SavedTake] = []
        busy = set(self._waiting) | set(self._under_way) | set(self.files.open)
        for path in sorted(self._found, key=self.files.saved_at):
            found = self._found[path]
            unread = any(isinstance(one, UnreadTake) for one in found)
            if unread and self.files.paused_s(path, now_s) < MAX_PAUSE_S:
                busy.add(path)  # its writer may have paused
            else:
                takes += found
        session = self.shown.session
        if list(map(id, takes)) != list(map(id, self._takes)):
            self._takes, session = takes, judge_session(takes, self._shots)
        return Shown(self.shown.folder, session, tuple(sorted(path.name for path in busy)))
