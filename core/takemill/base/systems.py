"""What file systems other than this one refuse or take for the same: rules on text alone, for any system.

Sources: reserved names as CPython's pathlib has them, 260 characters as its ctypes.wintypes.MAX_PATH. From
memory: Microsoft, "Naming Files, Paths, and Namespaces" (forbidden characters, ends), "System Error Codes"
(32, 33); Apple, APFS reference (names are compared by case and form or not, as the volume was made).
"""

from __future__ import annotations

import unicodedata

FORBIDDEN = '/\\:*?"<>|'
"""Characters that a name cannot hold on some system, or that part node paths of engines."""

MAX_WINDOWS_PATH = 259
"""Characters of a path on Windows, unless long paths are switched on: 260 with the zero that ends it."""

_DIGITS = "123456789\N{SUPERSCRIPT ONE}\N{SUPERSCRIPT TWO}\N{SUPERSCRIPT THREE}"
_PORTS = [f"{port}{n}" for port in ("com", "lpt") for n in _DIGITS]
_DEVICES = {"con", "prn", "aux", "nul", "conin$", "conout$", *_PORTS}
_HELD_BY_ANOTHER = (32, 33)  # ERROR_SHARING_VIOLATION, ERROR_LOCK_VIOLATION


def is_reserved(name: str) -> bool:
    """Whether Windows takes a file's name for a device, whatever its ending, or cuts its end off."""
    return name.split(".")[0].rstrip(" ").casefold() in _DEVICES or name != name.rstrip(" .")


def forbidden_in(name: str) -> str | None:
    """The first character of a name that some system refuses; None when there is none."""
    return next((char for char in name if char in FORBIDDEN or not char.isprintable()), None)


def same_name(name: str) -> str:
    """What two names have in common that some system takes for one: letter case and Unicode form apart."""
    return unicodedata.normalize("NFC", unicodedata.normalize("NFC", name).casefold())


def reason_of(problem: OSError, path: str, platform: str) -> str:
    """Why the system refuses a path, in words that say what to do where its own do not."""
    number = getattr(problem, "winerror", None)
    if number in _HELD_BY_ANOTHER:
        return "another program has it open; close it there"
    plain = problem.strerror or str(problem)
    if platform == "win32" and len(path) > MAX_WINDOWS_PATH and not path.startswith("\\\\?\\"):
        long = f"its path has {len(path)} characters and Windows takes {MAX_WINDOWS_PATH}"
        return f"{plain}; {long}: use a shorter folder"
    return plain
