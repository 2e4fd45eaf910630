"""What Windows and macOS refuse, as rules on text: there is no such machine here.

Source of the names and numbers: Microsoft, "Naming Files, Paths, and Namespaces" and "Maximum Path Length
Limitation" (learn.microsoft.com), from memory.
"""

from __future__ import annotations

import ctypes.wintypes
import pathlib
import unicodedata
import warnings

import pytest

from takemill.base.disk import explain_errors
from takemill.base.errors import FileError
from takemill.base.systems import (
    FORBIDDEN,
    MAX_WINDOWS_PATH,
    forbidden_in,
    is_reserved,
    reason_of,
    same_name,
)
from takemill.sets.set_list import is_inside

RESERVED = ["CON", "con", "Aux.glb", "nul.tar.gz", "COM1", "lpt9.txt", "con .glb", "a.", "a ", "CONIN$"]
PLAIN = ["console", "con_1", "com10", "com", "auxiliary.glb", "walk", ".takemill-x", "lpt", "a.b"]


def test_names_that_windows_takes_for_something_else():
    assert all(map(is_reserved, [*RESERVED, "com\N{SUPERSCRIPT TWO}"]))
    assert not any(map(is_reserved, PLAIN))


def test_reserved_names_are_those_that_python_knows():
    """Source: pathlib's own list."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", DeprecationWarning)  # 3.13 calls it os.path.isreserved
        for name in ("con", "nul", "com1", "lpt3", "walk", "com10", "prn.txt", "CONIN$"):
            assert is_reserved(name) == pathlib.PureWindowsPath(name).is_reserved()


def test_the_longest_path_is_that_of_windows_headers():
    """MAX_PATH counts the zero at the end."""
    assert MAX_WINDOWS_PATH == ctypes.wintypes.MAX_PATH - 1


def test_characters_that_some_system_refuses():
    assert [char for char in map(chr, range(32, 127)) if forbidden_in(char)] == sorted(FORBIDDEN)
    assert forbidden_in("a\x1b") == "\x1b"
    assert forbidden_in("Fähre 渡し船") is None


def test_names_that_some_system_takes_for_one():
    """Letter case (Windows, macOS) and Unicode form (macOS)."""
    apart = unicodedata.normalize("NFD", "FÄHRE")
    for one, other in (("Walk", "wALK"), ("Fähre", apart), ("straße", "STRASSE")):
        assert same_name(one) == same_name(other)
    assert same_name("walk") != same_name("walk_1")


def windows_error(number: int, text: str) -> OSError:
    problem = OSError(13, text)
    problem.winerror = number
    return problem


def test_a_file_that_another_program_has_open_is_said_in_words():
    """Windows renames no file over one that is open."""
    problem = windows_error(32, "The process cannot access the file")
    assert reason_of(problem, "a.glb", "win32") == "another program has it open; close it there"
    assert reason_of(windows_error(5, "Access is denied"), "a.glb", "win32") == "Access is denied"
    said = r"cannot write a\.glb: another program has it open; close it there"
    with pytest.raises(FileError, match=said), explain_errors("write", "a.glb"):
        raise problem


def test_a_path_that_is_too_long_for_windows_is_said_in_words():
    """Windows says "no such file" then."""
    problem = FileNotFoundError(2, "No such file or directory")
    path = "C:\\" + "x" * MAX_WINDOWS_PATH
    said = reason_of(problem, path, "win32")
    assert said.endswith("its path has 262 characters and Windows takes 259: use a shorter folder")
    for other, system in ((path[:MAX_WINDOWS_PATH], "win32"), ("\\\\?\\" + path, "win32"), (path, "linux")):
        assert reason_of(problem, other, system) == "No such file or directory"


@pytest.mark.parametrize("name", ["..\\x", "C:x", "a\\b", "/x", "../x", "a/../../x", "", "a:stream", "x\0"])
def test_listed_names_stay_inside_on_every_system(name):
    assert not is_inside(name)
