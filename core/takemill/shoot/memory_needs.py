"""How much memory a take needs while it is built, and how much there is."""

from __future__ import annotations

import os
from pathlib import Path

from ..base.errors import InputError
from ..files.take_address import file_of

# Takes of 60, 120 and 360 s on one small character (BVH files of 2.4, 4.8 and 14.5 MB) took 103, 146 and 265
# MB at the peak: about 75 MB, and 13 bytes for each of the file. The rest is kept for characters with large
# meshes and for files with fewer digits; what those take was not measured.
_PROCESS_BYTES = 90e6
_PER_FILE_BYTE = 40.0
_USED_SHARE = 0.8  # of what is free: the rest is for the system and for what is written (common practice)


def need_of(address: str) -> float:
    """About how many bytes the process needs that builds a take; 0 for a file that is not there."""
    try:
        return _PROCESS_BYTES + _PER_FILE_BYTE * os.path.getsize(file_of(address))
    except OSError:
        return 0.0


def usable_bytes(memory_gb: float | None) -> float:
    """What a build may use: what was asked for, or most of what is free; infinite where nobody knows.

    Raises:
        InputError: what was asked for is no amount of memory.
    """
    if memory_gb is not None:
        if not 0.1 <= memory_gb <= 1e6:
            raise InputError(f"--memory: expected gigabytes, 0.1 or more, got {memory_gb:g}")
        return 1e9 * memory_gb
    try:
        lines = Path("/proc/meminfo").read_text(encoding="ascii").splitlines()
        free = next(line for line in lines if line.startswith("MemAvailable:"))
        return _USED_SHARE * 1024 * int(free.split()[1])
    except (OSError, StopIteration, ValueError, IndexError):
        pass
    try:
        return _USED_SHARE * os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES")
    except (AttributeError, ValueError, OSError):
        return float("inf")
