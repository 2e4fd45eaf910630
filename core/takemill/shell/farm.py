"""The work of a build handed to an engine for clusters, Dask distributed, by the executor that it offers."""

from __future__ import annotations

import contextlib
import os
import secrets
from collections.abc import Iterator
from concurrent.futures import Executor
from pathlib import Path
from typing import Any

from ..base.errors import InputError
from ..shoot.build_keys import version_digest
from ..shoot.build_shoot import Workers
from ..shoot.store import FOLDER

_TIMEOUT_S = 10  # until a scheduler answers: common practice for services in one network


def workers_of(address: str, out: str, width: int | None, memory_gb: float | None) -> Workers:
    """The workers of the cluster at an address, all of which see the output's folder.

    Raises:
        InputError: the library is missing, nobody answers, there is no worker, or one of them has another
            Takemill or does not see the folder.
    """
    with _client(address) as client:
        threads = sum(client.nthreads().values())
        if not threads:
            raise InputError(
                f"--scheduler: the cluster at {address} has no workers; start some with dask worker"
            )
        _expect_same(client, Path(out).resolve())

    @contextlib.contextmanager
    def opened() -> Iterator[Executor]:
        with _client(address) as client:
            yield client.get_executor(pure=False)

    # A cluster's nodes have memory of their own: what a node lacks, its own worker says.
    return Workers(width or threads, opened, memory_gb or 1e6)


def _client(address: str) -> Any:
    try:
        from distributed import Client
    except ImportError as problem:
        raise InputError('--scheduler needs Dask distributed: python -m pip install ".[farm]"') from problem
    try:
        return Client(address, timeout=_TIMEOUT_S, set_as_default=False)
    except (OSError, ValueError, TypeError) as problem:
        raise InputError(f"--scheduler: no cluster answers at {address}: {problem}") from problem


def _expect_same(client: Any, out: Path) -> None:
    """Insist on workers that see a file which is written here, with the Takemill that is installed here."""
    token = out / FOLDER / f"seen-{secrets.token_hex(6)}"
    token.parent.mkdir(parents=True, exist_ok=True)
    token.write_bytes(b"")
    try:
        found = client.run(_look, str(token), on_error="return")
    finally:
        os.unlink(token)
    answers = {worker: one for worker, one in found.items() if not isinstance(one, BaseException)}
    for worker, (sees, version) in answers.items():  # one that died meanwhile is the cluster's to replace
        if not sees:
            raise InputError(
                f"--scheduler: the worker {worker} does not see {out}; use a disk that all share"
            )
        if version != version_digest():
            raise InputError(
                f"--scheduler: the worker {worker} has another Takemill or numpy; install the same"
            )


def _look(token: str) -> tuple[bool, str]:
    """Whether a worker sees a file, and which Takemill it has."""
    return Path(token).exists(), version_digest()
