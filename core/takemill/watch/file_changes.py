"""Waking up when files change, by the library watchfiles, which is asked for where somebody watches."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from pathlib import Path

from ..base.errors import InputError

TICK_S = 0.5  # between two looks where nothing wakes: files that are being saved must have stayed for a while


def wake_ups(
    folders: Sequence[Path],
    quiet_s: float,
    stop: threading.Event,
    poll: bool = False,
    recursive: bool = False,
) -> Iterator[frozenset[Path]]:
    """Paths that changed, once nothing has changed for `quiet_s`; none, each half second, where none did.

    Args:
        folders: that are watched; changes are collected while the caller works.
        quiet_s: seconds.
        stop: ends the waiting.
        poll: look at the files again and again, as network drives need it that report no changes.
        recursive: watch the folders below, too.

    Raises:
        InputError: the library is not installed, or a folder cannot be watched.
    """
    try:
        from watchfiles import watch
    except ImportError as problem:
        raise InputError(
            'watching needs the library watchfiles: python -m pip install ".[watch]"'
        ) from problem
    changes = watch(
        *folders,
        watch_filter=None,
        step=round(1000 * quiet_s),
        debounce=round(60_000 * max(quiet_s, 1)),
        rust_timeout=round(1000 * TICK_S),
        yield_on_timeout=True,
        stop_event=stop,
        force_polling=poll or None,
        recursive=recursive,
        ignore_permission_denied=True,
    )
    try:
        for found in changes:
            yield frozenset(Path(path) for _, path in found)
    except FileNotFoundError as problem:
        raise InputError(f"{', '.join(map(str, folders))}: there is no such folder to watch") from problem
    except (OSError, RuntimeError) as problem:
        raise InputError(
            f"{', '.join(map(str, folders))}: the system does not watch it ({problem}); say --poll"
        ) from problem
