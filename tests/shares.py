"""Tests that several runs share: each is in one of them."""

from __future__ import annotations

import zlib


def is_in_share(test: str, share: str) -> bool:
    """Whether a test, by its id, is in a share such as "1/2", the first of two.

    Raises:
        ValueError: there is no such share.
    """
    number, count = map(int, share.split("/"))
    if not 1 <= number <= count:
        raise ValueError(f"there is no share {share}")
    return zlib.crc32(test.encode()) % count == number - 1
