"""How much memory a take needs while it is built, and how much there is."""

from __future__ import annotations

import os
from pathlib import Path

from ..base.errors import InputError
from ..files.take_address import file_of

# BVH files of 0.3, 1.7, 2.4, 4.8, 5.2 and 14.5 MB, on up to three small characters, took 63, 100, 103, 146,
# 161 and 265 MB at the peak, which this says as 76, 105, 118, 166, 174 and 360. Characters with large meshes
# were not measured, nor files that store numbers in binary: these hold more of them in a byte (an estimate).
_PROCESS_BYTES = 70e6
_PER_TEXT_BYTE, _PER_BINARY_BYTE = 20.0, 40.0
BLENDER_BYTES = 400e6
"""What Blender takes beside, where it writes FBX files: 300 MB on a small character with a clip of 12 s; the
rest is kept for larger ones (an estimate)."""

_USED_SHARE = 0.8  # of what is free: the rest is for the system and for what is written (common practice)


def need_of(address: str) -> float:
    """About how many bytes the process needs that builds a take; 0 for a file that is not there."""
    try:
        path = file_of(address)
        each = _PER_TEXT_BYTE if path.suffix.lower() == ".bvh" else _PER_BINARY_BYTE
        return _PROCESS_BYTES + each * os.path.getsize(path)
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
