"""Which tests run a line of the engine, and what each costs: for mutate.py, which runs those alone, the quickest first.

Each test file of tests/core runs once, in a child, under `coverage` (pip install coverage), whose context is the test
that runs. What a test takes out of a cache, a cached property or a fixture of its module counts as run by it too, and
what its file makes while it is imported. A line outside functions is run by the tests that run a use of its name.
The marker `long` stays out. The result is kept in the cache folder, for each test file, under the digest of what it read.
"""

from __future__ import annotations

import ast
import functools
import hashlib
import os
import pickle
import sys
import tempfile
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import coverage
import pytest

ROOT = Path(__file__).parents[2]
ENGINE, TESTS = ROOT / "core", ROOT / "tests/core"
PYTEST = ("-q", "-p", "no:cacheprovider", "-p", "no:randomly", "-n", "0")
_IMPORT = "import of the file"


@dataclass
class FileRun:
    """What running one test file showed: own seconds and uses of each context, and the contexts of each line."""

    tests: list[str] = field(default_factory=list)  # those that passed
    own_s: dict[str, float] = field(default_factory=lambda: defaultdict(float))
    uses: dict[str, set[str]] = field(default_factory=lambda: defaultdict(set))
    lines: dict[tuple[str, int], set[str]] = field(default_factory=lambda: defaultdict(set))

    def reached(self, context: str) -> set[str]:
        """The context and all that it uses, directly or not."""
        found, left = set(), [context]
        while left:
            one = left.pop()
            if one not in found:
                found.add(one)
                left += self.uses.get(one, ())
        return found


class Steady:
    """A plugin of pytest: what hypothesis draws is the same in each run."""

    def pytest_configure(self) -> None:
        import hypothesis  # not before pytest, which rewrites it

        phases = [hypothesis.Phase.explicit, hypothesis.Phase.generate]
        hypothesis.settings.register_profile(
            "steady", derandomize=True, database=None, deadline=None, phases=phases
        )
        hypothesis.settings.load_profile("steady")


class Recorder(Steady):
    """A plugin of pytest that tells `coverage` whose work is done."""

    def __init__(self, run: FileRun, measured: coverage.Coverage) -> None:
        self.run, self.measured = run, measured
        self.stack: list[tuple[str, float, list[float]]] = [(_IMPORT, 0.0, [0.0])]
        self.caches: list[Any] = []  # of the engine: emptied before each test
        self.bad: set[str] = set()

    @contextmanager
    def within(self, context: str) -> Iterator[None]:
        """All that runs now counts for a context, which the one outside it uses."""
        if self.stack[-1][0] != _IMPORT:
            self.run.uses[self.stack[-1][0]].add(context)
        if threading.current_thread() is not threading.main_thread():
            yield
            return
        self.stack.append((context, time.process_time(), [0.0]))
        self.measured.switch_context(context)
        try:
            yield
        finally:
            _, start, inner = self.stack.pop()
            took = time.process_time() - start
            self.run.own_s[context] += took - inner[0]
            self.stack[-1][2][0] += took
            self.measured.switch_context(self.stack[-1][0])

    @pytest.hookimpl(wrapper=True)
    def pytest_runtest_protocol(self, item: pytest.Item) -> Any:
        for cache in self.caches:
            cache.cache_clear()
        with self.within(item.nodeid):
            self.run.uses[item.nodeid] |= {
                _IMPORT,
                *(f"fixture {n}" for n in getattr(item, "fixturenames", ())),
            }
            return (yield)

    @pytest.hookimpl(wrapper=True)
    def pytest_fixture_setup(self, fixturedef: Any) -> Any:
        if fixturedef.scope == "function":
            return (yield)
        with self.within(f"fixture {fixturedef.argname}"):
            return (yield)

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.when == "call" and report.passed:
            self.run.tests.append(report.nodeid)
        elif report.outcome != "passed":
            self.bad.add(report.nodeid)

    def pytest_sessionfinish(self) -> None:
        self.run.tests = [test for test in self.run.tests if test not in self.bad]

    def watch_caches(self) -> None:
        """From now on caches of the tests and cached properties of the engine say who uses them."""
        real = functools.lru_cache

        def lru_cache(maxsize: Any = 128, typed: bool = False) -> Any:
            if callable(maxsize):
                return self._cached(maxsize, real(maxsize))
            return lambda function: self._cached(function, real(maxsize, typed)(function))

        recorder = self

        class WatchedProperty(functools.cached_property):
            def __get__(self, instance: Any, owner: Any = None) -> Any:
                if instance is None or not _is_ours(self.func, ENGINE):
                    return super().__get__(instance, owner)
                if self.attrname in instance.__dict__:
                    recorder.run.uses[recorder.stack[-1][0]].add(self.watched)
                    return instance.__dict__[self.attrname]
                with recorder.within(self.watched):
                    return super().__get__(instance, owner)

            def __set__(self, instance: Any, value: Any) -> None:
                instance.__dict__[self.attrname] = value

            @property
            def watched(self) -> str:
                return f"property {self.func.__qualname__}"

        functools.lru_cache = lru_cache
        functools.cache = lambda function: self._cached(function, real(None)(function))
        functools.cached_property = WatchedProperty

    def _cached(self, function: Callable[..., Any], cached: Any) -> Any:
        if _is_ours(function, ENGINE):
            self.caches.append(cached)
        if not _is_ours(function, ROOT / "tests"):
            return cached
        name = f"cache {function.__module__}.{function.__qualname__}"

        @functools.wraps(function)
        def watched(*values: Any, **named: Any) -> Any:
            with self.within(name):
                return cached(*values, **named)

        watched.cache_clear = cached.cache_clear  # type: ignore[attr-defined]
        return watched


def _is_ours(function: Callable[..., Any], folder: Path) -> bool:
    code = getattr(function, "__code__", None)
    return code is not None and code.co_filename.startswith(str(folder))


class Covering:
    """The tests of every line."""

    def __init__(self, runs: list[FileRun]) -> None:
        self.costs: dict[
            str, dict[str, float]
        ] = {}  # of each test: of itself, and of each context that it uses
        self._tests: dict[tuple[str, int], set[str]] = defaultdict(set)
        self._at_import: dict[tuple[str, int], set[str]] = defaultdict(set)
        for run in runs:
            users: dict[str, set[str]] = defaultdict(set)
            for test in run.tests:
                contexts = run.reached(test)
                self.costs[test] = {one: run.own_s.get(one, 0.0) for one in contexts if one != _IMPORT}
                for one in contexts:
                    users[one].add(test)
            for line, contexts in run.lines.items():
                for one in contexts:
                    self._tests[line] |= users[one]
                if _IMPORT in contexts:
                    self._at_import[line] |= users[_IMPORT]
        self._trees = {path: _Tree(path) for path in sorted(ENGINE.glob("takemill/**/*.py"))}

    def seconds(self, test: str) -> float:
        return sum(self.costs[test].values())

    def tests(self, path: Path, line: int) -> set[str]:
        """The tests that run a line of the engine, or what a line outside functions gives a name to."""
        return self._of_lines(self._tests, path, line)

    def at_import(self, path: Path, line: int) -> set[str]:
        """Those whose file runs it while it is imported."""
        return self._of_lines(self._at_import, path, line)

    def _of_lines(self, tests: dict[tuple[str, int], set[str]], path: Path, line: int) -> set[str]:
        found: set[str] = set()
        for file, first, last in self._shown(path, line, set()):
            for one in range(first, last + 1):
                found |= tests.get((str(file.relative_to(ENGINE)), one), set())
        return found

    def _shown(self, path: Path, line: int, seen: set[tuple[Path, str]]) -> Iterator[tuple[Path, int, int]]:
        tree = self._trees[path]
        inside = tree.statement(line)
        if inside is not None:
            yield path, *inside
            return
        holder, names = tree.names(line)
        for name in names:
            if (path, name) not in seen:
                seen.add((path, name))
                for file, other in self._trees.items():
                    for use in other.uses(name, local=path == file, field=holder, module=path.stem):
                        yield from self._shown(file, use, seen)
        if not names:
            yield path, 1, tree.end


class _Tree:
    """The source of a file, asked for statements and names."""

    def __init__(self, path: Path) -> None:
        source = path.read_text(encoding="utf-8")
        self.tree, self.end = ast.parse(source), source.count("\n") + 1
        self.words = source
        self.imported = {
            alias.asname or alias.name: (node.module or "").split(".")[-1]
            for node in ast.walk(self.tree)
            if isinstance(node, ast.ImportFrom)
            for alias in node.names
        }

    def statement(self, line: int) -> tuple[int, int] | None:
        """First and last line of the statement in a function that holds a line; for a default value, the function's."""
        for node in ast.walk(self.tree):
            if isinstance(node, ast.FunctionDef) and _start(node) <= line <= (node.end_lineno or 0):
                if line < node.body[0].lineno:
                    return node.body[0].lineno, node.end_lineno or 0
                inner = [
                    (part.lineno, _head_end(part))
                    for part in ast.walk(node)
                    if isinstance(part, ast.stmt) and part.lineno <= line <= _head_end(part)
                ]
                return max(inner) if inner else (node.body[0].lineno, node.end_lineno or 0)
        return None

    def names(self, line: int) -> tuple[bool, list[str]]:
        """Whether a line outside functions lies in a class, and the names that it gives a value to."""
        for node in self.tree.body:
            if _start(node) <= line <= (node.end_lineno or 0):
                if isinstance(node, ast.ClassDef):
                    fields = [
                        n
                        for part in node.body
                        if part.lineno <= line <= (part.end_lineno or 0)
                        for n in _bound(part)
                    ]
                    return bool(fields), [*fields, node.name]
                return False, _bound(node)
        return False, []

    def uses(self, name: str, *, local: bool, field: bool, module: str) -> Iterator[int]:
        """The lines that use a name of this file, or of a module that it imports; of a field, in any file."""
        if name not in self.words:
            return
        here = (
            {name}
            if local
            else {own for own, source in self.imported.items() if own == name and source == module}
        )
        for node in ast.walk(self.tree):
            if isinstance(node, ast.Name) and isinstance(node.ctx, ast.Load) and node.id in here:
                yield node.lineno
            elif isinstance(node, ast.Attribute) and node.attr == name and isinstance(node.ctx, ast.Load):
                whose = node.value.id if isinstance(node.value, ast.Name) else ""
                if field or whose == module:
                    yield node.lineno


def _start(node: ast.stmt) -> int:
    marks = getattr(node, "decorator_list", [])
    return min([node.lineno, *(mark.lineno for mark in marks)])


def _head_end(node: ast.stmt) -> int:
    body = getattr(node, "body", None)
    return max(body[0].lineno - 1, node.lineno) if body else node.end_lineno or node.lineno


def _bound(node: ast.stmt) -> list[str]:
    return [
        part.id for part in ast.walk(node) if isinstance(part, ast.Name) and isinstance(part.ctx, ast.Store)
    ]


def learn(without: Sequence[str] = ()) -> Covering:
    """Run each test file that has changed, but for some, and read the others' results from the cache folder."""
    folder = Path(os.environ.get("TAKEMILL_CACHE") or tempfile.gettempdir()) / "takemill-covering"
    folder.mkdir(parents=True, exist_ok=True)
    shared = hashlib.sha256()
    for path in [*sorted(ENGINE.glob("**/*.py")), *sorted((ROOT / "tests").glob("*.py")), Path(__file__)]:
        shared.update(path.read_bytes())
    runs = []
    for path in sorted(TESTS.glob("test_*.py")):
        if path.stem in without:
            continue
        digest = hashlib.sha256(shared.digest() + path.read_bytes()).hexdigest()[:24]
        kept = folder / f"{path.stem}-{digest}"
        if not kept.exists():
            start = time.monotonic()
            child = os.fork()
            if child == 0:
                try:
                    _run_file(path, kept)
                finally:
                    os._exit(1)
            os.waitpid(child, 0)
            if not kept.exists():
                raise SystemExit(f"{path.name} does not run")
            print(f"learned {path.name} in {time.monotonic() - start:.0f} s", flush=True)
        runs.append(pickle.loads(kept.read_bytes()))
    return Covering(runs)


def _run_file(path: Path, kept: Path) -> None:
    """In a child: run a test file, store what it showed, and leave."""
    settle_child(ENGINE)
    measured = coverage.Coverage(data_file=None, include=[f"{ENGINE}/*"], config_file=False, messages=False)
    run = FileRun()
    recorder = Recorder(run, measured)
    recorder.watch_caches()
    measured.start()
    measured.switch_context(_IMPORT)
    pytest.main([*PYTEST, str(path)], plugins=[recorder])
    measured.stop()
    data = measured.get_data()
    for file in data.measured_files():
        for line, contexts in data.contexts_by_lineno(file).items():
            run.lines[str(Path(file).relative_to(ENGINE)), line] |= set(contexts)
    fresh = kept.with_suffix(".new")
    plain = FileRun(run.tests, dict(run.own_s), dict(run.uses), dict(run.lines))
    fresh.write_bytes(pickle.dumps(plain))
    fresh.replace(kept)
    os._exit(0)


def settle_child(engine: Path) -> None:
    """A child's silence, its engine, also for the processes that it starts, and the same cases in each run."""
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    os.chdir(ROOT)
    sys.path.insert(0, str(engine))
    os.environ["PYTHONPATH"] = os.pathsep.join([str(engine), str(ROOT / "blender_addon")])
    os.environ["PYTHONDONTWRITEBYTECODE"] = "1"
