"""Where other disks hang in a folder: such a place can be written into, but not moved."""

from __future__ import annotations

import os
import re
from pathlib import Path

_MOUNTS = Path("/proc/self/mountinfo")


def mount_points(text: str) -> list[str]:
    """The mount points in the text of Linux's mountinfo, in which spaces and the like are octal numbers.

    Source: the kernel's Documentation/filesystems/proc.rst, section 3.5, field 5.
    """
    fields = (line.split(" ") for line in text.splitlines())
    return [
        re.sub(r"\\([0-7]{3})", lambda found: chr(int(found[1], 8)), one[4]) for one in fields if len(one) > 4
    ]


def mount_point_in(path: Path) -> Path | None:
    """The path itself or a folder below it that is a disk of its own; None when there is none."""
    if os.path.ismount(path):
        return path
    try:
        known = [Path(one) for one in mount_points(_MOUNTS.read_text("utf-8", "surrogateescape"))]
    except OSError:  # no Linux: look at the folders themselves
        folders = (Path(above, name) for above, names, _ in os.walk(path) for name in names)
        return next((one for one in folders if os.path.ismount(one)), None)
    return next((one for one in known if one.is_relative_to(path)), None)
