"""Make small random changes in the engine, and count how many the tests of its folder find.

`python tests/benchmarks/mutate.py [--count 200] [--seed 1] [--folder feet] [--list]` copies the engine, changes one
place in one file, runs the tests that belong to the file's folder till the first fails, and prints each mutant,
killed or survived, and the share that was killed. One whose tests take longer than --limit seconds of the processor counts for neither.
Those in EQUIVALENT change nothing that anybody could see; the reason stands beside each. Exit code 1 below 90 %.
"""

from __future__ import annotations

import argparse
import ast
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
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ENGINE, TESTS = ROOT / "core", ROOT / "tests/core"
FOLDERS = (
    "maths", "body", "feet", "sensors", "health", "repair", "fit", "clip", "keys", "curves", "recipe", "pipeline",
    "files", "sets",
)  # fmt: skip
_NO_TESTS = 99  # exit code of a child that did not get to its tests
LEAST = 0.9  # of the mutants that are not equivalent

EQUIVALENT: dict[tuple[str, str], str] = {
    # (file, mutant as printed behind its line): why nobody can see it
}

_SWAPS: dict[type, type] = {
    ast.Lt: ast.GtE, ast.LtE: ast.Gt, ast.Gt: ast.LtE, ast.GtE: ast.Lt, ast.Eq: ast.NotEq, ast.NotEq: ast.Eq,
    ast.Is: ast.IsNot, ast.IsNot: ast.Is, ast.In: ast.NotIn, ast.NotIn: ast.In,
    ast.Add: ast.Sub, ast.Sub: ast.Add, ast.Mult: ast.Div, ast.Div: ast.Mult, ast.And: ast.Or, ast.Or: ast.And,
    ast.FloorDiv: ast.Mult, ast.Pow: ast.Mult, ast.Mod: ast.Mult, ast.BitAnd: ast.BitOr, ast.BitOr: ast.BitAnd,
}  # fmt: skip


@dataclass(frozen=True)
class Mutant:
    """One change: the file, the line, and the source before and after it."""

    path: Path
    line: int
    before: str
    after: str
    text: str

    def __str__(self) -> str:
        """As it is printed, without the line, which other edits move."""
        source = self.path.read_text(encoding="utf-8").splitlines()[self.line - 1].strip()
        return f"{source}  |  {self.before}  ->  {self.after}"


def mutants_of(path: Path) -> Iterator[Mutant]:
    """All small changes of a file: operators, comparisons, numbers, booleans, conditions, and calls left out."""
    source = path.read_text(encoding="utf-8")
    tree = ast.parse(source)
    lines = source.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line.encode()))
    data = source.encode()

    def place(node: ast.expr | ast.stmt) -> tuple[int, int]:
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return starts[node.lineno - 1] + node.col_offset, starts[node.end_lineno - 1] + node.end_col_offset

    hidden = {id(part) for node in ast.walk(tree) for part in _hidden(node)}
    for node in ast.walk(tree):
        if id(node) in hidden:
            continue
        for changed in _changes(node):
            start, stop = place(node)  # type: ignore[arg-type]  # all that change have a place
            after = ast.unparse(changed)
            if isinstance(changed, ast.expr):
                after = f"({after})"
            text = (data[:start] + after.encode() + data[stop:]).decode()
            short = [" ".join(part.split())[:90] for part in (ast.unparse(node), ast.unparse(changed))]
            yield Mutant(path, node.lineno, *short, text)  # type: ignore[attr-defined]


def _hidden(node: ast.AST) -> Iterator[ast.AST]:
    """What no run can see: annotations, docstrings, messages of errors, formats of text."""
    if isinstance(node, ast.AnnAssign | ast.arg) and node.annotation:
        yield from ast.walk(node.annotation)
    if isinstance(node, ast.FunctionDef) and node.returns:
        yield from ast.walk(node.returns)
    if isinstance(node, ast.Raise | ast.JoinedStr | ast.Import | ast.ImportFrom | ast.Assert):
        yield from ast.walk(node)
    if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
        yield node.value


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    """The node changed in one place."""
    if isinstance(node, ast.Compare) and len(node.ops) == 1 and type(node.ops[0]) in _SWAPS:
        yield ast.Compare(node.left, [_SWAPS[type(node.ops[0])]()], node.comparators)
    elif isinstance(node, ast.BinOp) and type(node.op) in _SWAPS:
        if not (isinstance(node.op, ast.Mod | ast.BitOr) and _is_text(node)):
            yield ast.BinOp(node.left, _SWAPS[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(_SWAPS[type(node.op)](), node.values)
    elif isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub | ast.Not):
        yield node.operand
    elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
        yield ast.Constant(node.value + 1 if type(node.value) is int else node.value * 3 or 1.0)
    elif isinstance(node, ast.Constant) and type(node.value) is bool:
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.IfExp):
        yield node.body
        yield node.orelse
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield ast.Pass()
    elif isinstance(node, ast.AugAssign):
        yield ast.Assign([node.target], node.value, lineno=node.lineno)


def _is_text(node: ast.BinOp) -> bool:
    return any(
        isinstance(part, ast.Constant) and isinstance(part.value, str) for part in (node.left, node.right)
    )


def tests_of(path: Path) -> list[str]:
    """The test files of a file's folder: the one of its name first, then all that import from its folder."""
    folder, name = path.parent.name, path.stem
    found = []
    for test in sorted(TESTS.glob("test_*.py")):
        text = test.read_text(encoding="utf-8")
        named = re.search(rf"takemill\.{folder}\b|takemill import {folder}\b", text)
        if named or test.stem.startswith(f"test_{name}"):
            own = test.stem == f"test_{name}"
            near = re.search(rf"\b{name}\b", text) is not None
            found.append((not own, not near, test.stat().st_size, str(test)))
    return [test for *_, test in sorted(found)]


def run(mutant: Mutant, engine: Path, limit_s: float) -> tuple[str, float]:
    """What becomes of a mutant in its tests, in a word, and the seconds that they took."""
    there = engine / mutant.path.relative_to(ENGINE)
    kept = there.read_text(encoding="utf-8")
    there.write_text(mutant.text, encoding="utf-8")
    start = time.monotonic()
    try:
        return _judged(tests_of(mutant.path), engine, limit_s), time.monotonic() - start
    finally:
        there.write_text(kept, encoding="utf-8")


def _judged(tests: list[str], engine: Path, limit_s: float) -> str:
    """Run tests, till the first failure, in a child that has nothing of the engine loaded yet."""
    child = os.fork()
    if child == 0:
        try:
            # Seconds of the processor, which do not depend on what else the machine does.
            resource.setrlimit(resource.RLIMIT_CPU, (int(limit_s), int(limit_s) + 1))
            _as_child(tests, engine)
        finally:
            os._exit(_NO_TESTS)
    code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
    if code in (_NO_TESTS, pytest.ExitCode.USAGE_ERROR, pytest.ExitCode.NO_TESTS_COLLECTED):
        raise SystemExit(f"the tests do not run: {tests}")
    if code in (-signal.SIGXCPU, -signal.SIGKILL):
        return "too long"
    return "killed" if code else "survived"


def _as_child(tests: list[str], engine: Path) -> None:
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 1)
    os.dup2(nowhere, 2)
    os.chdir(ROOT)
    sys.path.insert(0, str(engine))
    os.environ["PYTHONPATH"] = os.pathsep.join([str(engine), str(ROOT / "blender_addon")])
    os._exit(int(pytest.main(["-x", "-q", "-p", "no:cacheprovider", "-p", "no:randomly", "-n", "0", *tests])))


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
        "--limit", type=float, default=600, help="Processor seconds for the tests of one mutant."
    )
    parser.add_argument("--list", action="store_true", help="Print the mutants, and run none.")
    chosen = parser.parse_args()
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
    for name in ("numpy", "pytest", "scipy.interpolate", "scipy.spatial.transform"):
        importlib.import_module(name)  # once, for all children

    counts = {"killed": 0, "survived": 0, "equivalent": 0, "too long": 0}
    with tempfile.TemporaryDirectory() as scratch:
        engine = Path(scratch) / "core"
        shutil.copytree(ENGINE, engine, ignore=shutil.ignore_patterns("__pycache__"))
        sys.dont_write_bytecode = True
        if _judged([str(TESTS / "test_blocks.py")], engine, chosen.limit) != "survived":
            raise SystemExit("the tests fail without any mutant")
        for one in picked:
            name = str(one.path.relative_to(ENGINE / "takemill"))
            if (name, str(one)) in EQUIVALENT:
                word, seconds = "equivalent", 0.0
            else:
                word, seconds = run(one, engine, chosen.limit)
            counts[word] += 1
            print(f"{word:10} {seconds:5.0f} s  {name}:{one.line}  {one}", flush=True)
    share = counts["killed"] / max(counts["killed"] + counts["survived"], 1)
    print(", ".join(f"{word} {count}" for word, count in counts.items()) + f": {100 * share:.1f} % killed")
    return int(share < LEAST)


if __name__ == "__main__":
    sys.exit(main())
