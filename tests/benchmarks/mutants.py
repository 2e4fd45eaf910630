"""Small changes of a source file, for mutate.py: one operator, number, condition or call at a time."""

from __future__ import annotations

import ast
from collections import Counter
from collections.abc import Collection, Iterator
from dataclasses import dataclass
from pathlib import Path

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
    function: tuple[str, ...] = ()  # the outermost one whose body holds it, with the classes around
    number: int = 1  # of those in its line that read alike

    def __str__(self) -> str:
        """As it is printed, without the line, which other edits move."""
        source = self.path.read_text(encoding="utf-8").splitlines()[self.line - 1].strip()
        which = f" ({self.number})" if self.number > 1 else ""
        return f"{source}  |  {self.before}  ->  {self.after}{which}"


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

    alike: Counter[tuple[int, str, str]] = Counter()
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
            line = node.lineno  # type: ignore[attr-defined]
            alike[line, *short] += 1
            yield Mutant(path, line, *short, text, _function(tree, node), alike[line, *short])


def stale_keys(known: Collection[tuple[str, str]], engine: Path) -> list[tuple[str, str]]:
    """Those of `known` (file below `engine`, mutant as it is printed) that no mutant of the engine prints any more."""
    paths = {name: engine / name for name, _ in known}
    there = {(name, str(one)) for name, path in paths.items() if path.exists() for one in mutants_of(path)}
    return sorted(set(known) - there)


def _function(tree: ast.Module | ast.ClassDef, node: ast.AST) -> tuple[str, ...]:
    """The names of the classes and of the outermost function whose body holds a node; () outside functions."""
    at = (node.lineno, node.col_offset)  # type: ignore[attr-defined]
    for part in tree.body:
        if isinstance(part, ast.FunctionDef | ast.ClassDef) and part.end_lineno is not None:
            first = (part.body[0].lineno, part.body[0].col_offset)
            if first <= at and at[0] <= part.end_lineno:
                if isinstance(part, ast.FunctionDef):
                    return (part.name,)
                inner = _function(part, node)
                return (part.name, *inner) if inner else ()
    return ()


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
