"""Make small random changes in the engine, and count how many the tests of its folder find.

`python tests/benchmarks/mutate.py [--count 200] [--seed 1] [--folder feet] [--list]` copies the engine, changes one
place in one file, and runs the tests that run that line (covering.py finds them, with `coverage`, which is needed here
alone) till the first fails: those of the folder's test files first, the nearest and quickest first, as many as --limit seconds of
the processor hold. It prints each mutant with the test that killed it, and the share that was killed.

A change inside a function is put into its code object, in a child of a process that has collected all tests; all else,
and tests whose file ran the line while it was imported, in a child that imports the changed file. Tests of the marker
`long` and the folders pages, shell, api and base are left out. Tests that take four times what they take without the
mutant, and 8 s more, have noticed it: `endless` counts as killed. A test that also fails without the mutant kills none.
Those in EQUIVALENT change nothing that anybody could see; the reason stands beside each. Exit code 1 below 90 %,
2 where an entry there matches no mutant any more: its line was edited, so that it would count as survived.
"""

from __future__ import annotations

import argparse
import compileall
import functools
import gc
import importlib
import os
import random
import re
import resource
import shutil
import signal
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing import Pipe
from pathlib import Path
from types import CodeType, FunctionType
from typing import Any

import pytest
from covering import ENGINE, PYTEST, TESTS, Covering, Steady, learn, settle_child
from equivalent import EQUIVALENT
from mutants import Mutant, mutants_of, stale_keys

FOLDERS = (
    "maths", "body", "feet", "sensors", "health", "repair", "fit", "clip", "keys", "curves", "recipe", "pipeline",
    "files", "sets",
)  # fmt: skip
_NO_TESTS = 99  # exit code of a child that did not get to its tests
_MAX_BYTES = 12 << 30  # of a child, against mutants that ask for all memory
LEAST = 0.9  # of the mutants that are not equivalent


def ranks_of(path: Path) -> dict[str, int]:
    """How near test files lie to a file: 0 those of its name, 1 that name it, 2 that import from its folder, 3 others."""
    folder, name = path.parent.name, path.stem
    named, near = re.compile(rf"\b{name}\b"), re.compile(rf"takemill\.{folder}\b|takemill import {folder}\b")
    ranks = {}
    for test in TESTS.glob("test_*.py"):
        text = test.read_text(encoding="utf-8")
        own = re.fullmatch(rf"test_{name}(_\w+)?", test.stem)
        ranks[f"tests/core/{test.name}"] = (
            0 if own else 1 if named.search(text) else 2 if near.search(text) else 3
        )
    return ranks


class Failures(Steady):
    """A plugin of pytest: the first test that fails is noted in a file."""

    def __init__(self, note: Path) -> None:
        self.note = note

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        if report.failed and not self.note.exists():
            self.note.write_text(report.nodeid, encoding="utf-8")


class Chosen(Failures):
    """Besides, only some tests run."""

    def __init__(self, tests: list[str], note: Path) -> None:
        super().__init__(note)
        self.tests = tests

    @pytest.hookimpl(trylast=True)
    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items[:] = in_order(self.tests, {item.nodeid: item for item in items})


def in_order(tests: list[str], items: dict[str, pytest.Item]) -> list[pytest.Item]:
    """The items of tests, file by file, since a fixture of a file ends with it."""
    files = list(dict.fromkeys(test.split("::")[0] for test in tests))
    return [items[test] for file in files for test in tests if test.split("::")[0] == file and test in items]


def in_child(work: Callable[[], int], limit_s: float) -> int:
    """The exit code of a child that does some work, in seconds of the processor: they do not depend on what else runs."""
    child = os.fork()
    if child == 0:
        try:
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s) + 1))
            resource.setrlimit(resource.RLIMIT_AS, (_MAX_BYTES, _MAX_BYTES))
            os._exit(work())
        finally:
            os._exit(_NO_TESTS)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


class Importer:
    """A process that has loaded nothing of the engine: its children import it as it then stands."""

    def __init__(self, engine: Path, scratch: Path) -> None:
        self.engine, self.scratch = engine, scratch
        self.pipe, there = Pipe()
        if os.fork() == 0:
            self.pipe.close()  # so that the other end knows when it is alone
            try:
                while (asked := there.recv()) is not None:
                    there.send(in_child(lambda: self._tests(asked[0]), asked[1]))
            finally:
                os._exit(0)

    def run(self, tests: list[str], limit_s: float) -> int:
        self.pipe.send((tests, limit_s))
        return self.pipe.recv()

    def close(self) -> None:
        self.pipe.send(None)

    def _tests(self, tests: list[str]) -> int:
        settle_child(self.engine)
        files = list(dict.fromkeys(test.split("::")[0] for test in tests))
        chosen = Chosen(tests, self.scratch / "failed")
        asked = ["-x", "--assert=plain", *PYTEST, f"--basetemp={self.scratch / 'tmp'}", *files]
        code = int(pytest.main(asked, plugins=[chosen]))
        ours = str(sys.modules["takemill"].__file__).startswith(str(self.engine)) if code == 0 else True
        return code if ours else _NO_TESTS


class Bench(Failures):
    """A copy of the engine in which one place is changed at a time, and a session of pytest that has collected all."""

    def __init__(self, scratch: Path, covering: Covering, limit_s: float) -> None:
        super().__init__(scratch / "failed")
        self.scratch, self.covering, self.limit_s = scratch, covering, limit_s
        self.engine = scratch / "core"
        shutil.copytree(ENGINE, self.engine, ignore=shutil.ignore_patterns("__pycache__"))
        compileall.compile_dir(self.engine, quiet=2)
        self.importer = Importer(self.engine, scratch)
        self.items: dict[str, pytest.Item] = {}
        self.sound: dict[str, bool] = {}  # whether a test that failed passes without the mutant

    def open(self, work: Callable[[], None]) -> None:
        """Collect all tests with the engine as it is, and work there; what tests print goes nowhere."""
        self.work = work
        settle_child(self.engine)
        pytest.main(
            ["--assert=plain", *PYTEST, f"--basetemp={self.scratch / 'tmp'}", str(TESTS)], plugins=[self]
        )
        self.importer.close()

    @pytest.hookimpl(tryfirst=True)
    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.items = {item.nodeid: item for item in session.items}
        for kept in gc.get_objects():  # what was made while test files were imported is made again
            if isinstance(kept, functools._lru_cache_wrapper) and "site-packages" not in _file(kept):
                kept.cache_clear()
        gc.freeze()
        self.work()
        return True

    def judge(self, mutant: Mutant) -> tuple[str, str]:
        """What becomes of a mutant, in a word, and what showed it."""
        ranks = ranks_of(mutant.path)
        tests = self.covering.tests(mutant.path, mutant.line)
        if not tests:
            return "survived", "no test runs it"
        ordered = sorted(tests, key=lambda t: (ranks[t.split("::")[0]], self.covering.seconds(t), t))
        batches = list(self._batches(ordered))
        for batch, cost_s in batches:
            word, test = self._run(mutant, batch, 8 + 4 * cost_s)
            while word == "killed" and test and not self._is_sound(test):
                batch.remove(test)
                word, test = self._run(mutant, batch, 8 + 4 * cost_s)
            if word != "survived":
                where = "" if not test or ranks[test.split("::")[0]] < 3 else "(of another folder) "
                return word, where + test.removeprefix("tests/core/") or "its tests cannot be imported"
        left = len(tests) - sum(len(batch) for batch, _ in batches)
        return "survived", f"{len(tests)} tests" + (f", {left} of them not run" if left else "")

    def _batches(self, tests: list[str]) -> Iterator[tuple[list[str], float]]:
        """Runs of tests, each some times as long as the one before, up to the limit; a fixture counts once in each."""
        batch: list[str] = []
        known: set[tuple[str, str]] = set()
        cost_s, spent_s, most_s = 0.0, 0.0, 2.0
        for test in tests:
            parts = {(test.split("::")[0], one): s for one, s in self.covering.costs[test].items()}
            more_s = sum(s for part, s in parts.items() if part not in known)
            if batch and spent_s + cost_s + more_s > self.limit_s:
                break
            if batch and cost_s + more_s > most_s:
                yield batch, cost_s
                spent_s, most_s = spent_s + cost_s, most_s * 4
                batch, cost_s, known = [], 0.0, set()
                more_s = sum(parts.values())
            batch.append(test)
            known |= set(parts)
            cost_s += more_s
        if batch:
            yield batch, cost_s

    def _is_sound(self, test: str) -> bool:
        if test not in self.sound:
            self.sound[test] = self._run(None, [test], 600)[0] == "survived"
        return self.sound[test]

    def _run(self, mutant: Mutant | None, tests: list[str], limit_s: float) -> tuple[str, str]:
        """Run tests, till the first failure: those that can be in a child of this process, then the others."""
        fresh = set(tests)
        if mutant is None or (code := changed_code(mutant, self.engine)) is not None:
            fresh &= self.covering.at_import(mutant.path, mutant.line) if mutant else set()
        here = [test for test in tests if test not in fresh and test in self.items]
        with self._changed(mutant):
            exit_code = 0
            if here:
                exit_code = self._child(lambda: self._tests(mutant and code, here), limit_s)
            if fresh and not exit_code:
                exit_code = self._child(lambda: None, limit_s, [test for test in tests if test in fresh])
        if exit_code in (_NO_TESTS, pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED):
            raise RuntimeError(f"the tests do not run: {tests[:3]} {exit_code}")
        if exit_code in (-signal.SIGXCPU, -signal.SIGKILL):
            return "endless", tests[0]
        return ("killed" if exit_code else "survived"), (
            self.note.read_text(encoding="utf-8") if self.note.exists() else ""
        )

    def _child(self, work: Callable[[], Any], limit_s: float, fresh: list[str] | None = None) -> int:
        self.note.unlink(missing_ok=True)
        code = in_child(work, limit_s) if fresh is None else self.importer.run(fresh, limit_s)
        shutil.rmtree(self.scratch / "tmp", ignore_errors=True)
        return code

    def _tests(self, change: tuple[FunctionType, CodeType] | None, tests: list[str]) -> int:
        """In a child of the session: change a function, and run."""
        if change:
            change[0].__code__ = change[1]
        items = in_order(tests, self.items)
        for item, after in zip(items, [*items[1:], None], strict=True):
            item.ihook.pytest_runtest_protocol(item=item, nextitem=after)
            if self.note.exists():
                return 1
        return 0

    @contextmanager
    def _changed(self, mutant: Mutant | None) -> Iterator[None]:
        """The file of the mutant in the copy, for those that import it; none of its old bytecode."""
        if mutant is None:
            yield
            return
        there = self.engine / mutant.path.relative_to(ENGINE)
        kept = there.read_text(encoding="utf-8")
        for compiled in (there.parent / "__pycache__").glob(f"{there.stem}.*"):
            compiled.unlink()
        there.write_text(mutant.text, encoding="utf-8")
        try:
            yield
        finally:
            there.write_text(kept, encoding="utf-8")


def _file(function: Any) -> str:
    code = getattr(getattr(function, "__wrapped__", None), "__code__", None)
    return code.co_filename if code else "site-packages"


def changed_code(mutant: Mutant, engine: Path) -> tuple[FunctionType, CodeType] | None:
    """The loaded function that holds the change, and its code with it; None where a function alone does not."""
    place = mutant.path.relative_to(ENGINE)
    module = sys.modules.get(".".join(place.with_suffix("").parts))
    if module is None:
        return None
    names = mutant.function
    if not names:
        return None
    found: Any = module
    code: Any = compile(mutant.text, str(engine / place), "exec")
    for name in names:
        found = vars(found).get(name)
        code = next((c for c in code.co_consts if isinstance(c, CodeType) and c.co_name == name), None)
    for way in ("__func__", "fget", "func", "__wrapped__"):
        found = getattr(found, way, found)
    plain = isinstance(found, FunctionType) and code is not None
    same = (
        plain
        and found.__code__.co_firstlineno == code.co_firstlineno
        and found.__code__.co_freevars == code.co_freevars
    )
    return (found, code) if same else None


def main() -> int:
    """Make mutants, run them, print the table."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--folder", default="", help="Only files of this folder.")
    parser.add_argument("--skip", type=int, default=0, help="Leave so many of the first ones out.")
    parser.add_argument(
        "--limit", type=float, default=60, help="Processor seconds for the tests of one mutant."
    )
    parser.add_argument("--without", nargs="*", default=[], help="Test files to leave out, as test_forms.")
    parser.add_argument("--list", action="store_true", help="Print the mutants, and run none.")
    chosen = parser.parse_args()
    if stale := stale_keys(EQUIVALENT, ENGINE / "takemill"):
        lines = "\n".join(f"  {name}: {mutant}" for name, mutant in stale)
        print(f"entries of equivalent.py that no mutant matches any more (its line was edited):\n{lines}")
        return 2
    files = [
        path
        for folder in FOLDERS
        if chosen.folder in ("", folder)
        for path in sorted((ENGINE / "takemill" / folder).glob("*.py"))
    ]
    everything = [mutant for path in files for mutant in mutants_of(path)]
    picked = random.Random(chosen.seed).sample(everything, min(chosen.count, len(everything)))[chosen.skip :]
    print(f"{len(picked)} of {len(everything)} mutants, seed {chosen.seed}", flush=True)
    if chosen.list:
        for one in picked:
            print(f"{one.path.relative_to(ENGINE / 'takemill')}:{one.line}  {one}")
        return 0
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    sys.dont_write_bytecode = True
    for name in ("numpy", "scipy.interpolate", "scipy.spatial.transform"):
        importlib.import_module(name)  # once, for all children
    counts = dict.fromkeys(("killed", "endless", "survived", "equivalent"), 0)
    others = 0
    out = open(os.dup(1), "w", encoding="utf-8")  # noqa: SIM115  # the session's own output goes nowhere

    def work() -> None:
        nonlocal others
        for one in picked:
            name, start = str(one.path.relative_to(ENGINE / "takemill")), time.monotonic()
            known = (name, str(one)) in EQUIVALENT
            word, shown = ("equivalent", "") if known else bench.judge(one)
            counts[word] += 1
            others += shown.startswith("(")
            took = f"{time.monotonic() - start:4.0f} s"
            print(f"{word:10} {took}  {name}:{one.line}  {one}  |  {shown}", file=out, flush=True)

    with tempfile.TemporaryDirectory() as scratch:
        bench = Bench(Path(scratch), learn(chosen.without), chosen.limit)
        bench.open(work)
    found = counts["killed"] + counts["endless"]
    share = found / max(found + counts["survived"], 1)
    print(", ".join(f"{word} {n}" for word, n in counts.items()) + f": {100 * share:.1f} % killed,", file=out)
    print(f"{others} of them by test files that import nothing of the mutant's folder", file=out, flush=True)
    return int(share < LEAST or sum(counts.values()) < len(picked))


if __name__ == "__main__":
    sys.exit(main())
