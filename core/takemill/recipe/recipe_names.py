"""Names of clips: legal in every file system and file, all different, and filled by a pattern."""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Collection, Iterable
from itertools import count

from ..base.errors import RecipeError
from ..base.systems import forbidden_in, is_reserved, same_name

WORDS = ("character", "set", "take", "kind", "n")
"""What a naming pattern may hold in braces."""

_MAX_NAME_BYTES = 63  # what Blender 4.5 keeps of a name


def expect_name(name: str, place: str) -> str:
    """Insist on a name that files, nodes and Blender all accept; returns it in Unicode's composed form.

    Raises:
        RecipeError: it is empty, too long, or holds what one of them refuses.
    """
    name = unicodedata.normalize("NFC", name)
    try:
        size = len(name.encode())
    except UnicodeEncodeError as problem:
        raise RecipeError(f"{place}: {name!r} holds half a character") from problem
    odd = forbidden_in(name)
    if odd is not None:
        raise RecipeError(f"{place}: {name!r} holds {odd!r}, which a file name cannot")
    if not name or name != name.strip(" .") or is_reserved(name):
        raise RecipeError(f"{place}: {name!r} is no name that every file system accepts; use another")
    if size > _MAX_NAME_BYTES:
        raise RecipeError(f"{place}: {name[:24]!r}... takes {size} bytes; at most {_MAX_NAME_BYTES} are kept")
    return name


def expect_unique(names: Iterable[str], place: str) -> None:
    """Insist on names that differ in more than case, which some file systems do not distinguish.

    Raises:
        RecipeError: two are the same.
    """
    seen: set[str] = set()
    for name in names:
        if _key(name) in seen:
            raise RecipeError(f"{place}: two clips are called {name!r}; clips need names of their own")
        seen.add(_key(name))


def _key(name: str) -> str:
    return same_name(name)


def expect_pattern(pattern: str, place: str) -> str:
    """Insist on a pattern such as "{character}_{kind}_{n:02}"; returns it.

    Raises:
        RecipeError: it holds another word in braces, a format that is not digits for {n}, or lone braces.
    """
    try:
        parts = list(string.Formatter().parse(pattern))
    except ValueError as problem:
        raise RecipeError(f"{place}: {pattern!r}: {problem}") from problem
    for _, word, form, conversion in parts:
        if word is None:
            continue
        if word not in WORDS or conversion:
            known = ", ".join(f"{{{one}}}" for one in WORDS)
            raise RecipeError(f"{place}: {pattern!r} holds {{{word}}}; known: {known}")
        if form and not (word == "n" and re.fullmatch("0?[1-9]", form)):
            raise RecipeError(f"{place}: {pattern!r}: only {{n}} takes digits, as in {{n:02}}, not {form!r}")
    expect_name(pattern.format(character="a", set="a", take="a", kind="other", n=1), place)
    return pattern


def fill_pattern(pattern: str, taken: Collection[str], place: str, **words: str) -> str:
    """The first name of a pattern, {n} counting from 1, that is not among those taken.

    Args:
        pattern: as `expect_pattern` accepts it.
        taken: names that stand already.
        place: for messages.
        words: what stands for each of WORDS but n.

    Raises:
        RecipeError: no {n} distinguishes clips, or the name is not legal.
    """
    keys = {_key(name) for name in taken}
    for n in count(1):
        name = expect_name(pattern.format(n=n, **words), place)
        if _key(name) not in keys:
            return name
        if "{n" not in pattern:
            raise RecipeError(f"{place}: the naming pattern {pattern!r} gives {name!r} twice; add {{n}}")
    raise AssertionError
