"""The verb that watches a folder on the set."""

from __future__ import annotations

import argparse
import sys
import threading
import time
from pathlib import Path

from ..base.errors import InputError
from ..pipeline.prepare_take import Progress
from ..shoot.run_jobs import local_processes, processors
from ..shoot.shoot_file import read_shoot
from ..watch.file_changes import wake_ups
from ..watch.loopback import Board, served
from ..watch.watcher import Watcher
from . import watch_terminal

_QUIET_S = 0.1  # after which a change is looked at: files that are being saved change more often
_MAX_WIDTH = 4  # processes: a folder gets a take at a time (an estimate)


def watch(options: argparse.Namespace, progress: Progress) -> str:
    """Judge what is saved in a folder until Ctrl-C."""
    del progress  # what is shown tells more
    folder = Path(options.folder)
    if not folder.is_dir():
        raise InputError(f"{folder}: there is no such folder to watch")
    shoot = read_shoot(options.shoot) if options.shoot else None
    width = min(processors(), _MAX_WIDTH)
    watcher = Watcher(folder, shoot, lambda: local_processes(width), width)
    board = Board(watcher.shown)
    awake = wake_ups([folder], _QUIET_S, threading.Event(), options.poll)
    next(awake)  # says whether it can be watched, before anything is opened
    with (
        watcher.opened(),
        served(board, options.port) as address,
        watch_terminal.shown_on(sys.stdout, options.json, address) as on_news,
    ):
        for _ in awake:
            if watcher.step(time.monotonic()):
                board.show(watcher.shown)
                on_news(watcher.shown)
    return ""
