"""Builds that are killed, on this machine and on a cluster: the next one ends with the undisturbed bytes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

import small_shoots
from need import need
from small_shoots import results
from takemill.shoot.build_shoot import build_shoot, look_at_shoot

KILLS = 3  # of the 50 that tests/benchmarks/build_table.py tries


@pytest.fixture(scope="module")
def undisturbed(tmp_path_factory) -> Path:
    """A shoot with what a build makes of it that nobody disturbs."""
    folder = tmp_path_factory.mktemp("undisturbed")
    shoot = small_shoots.write_shoot(folder)
    small_shoots.build(shoot)
    return folder


def start(shoot: Path, out: Path, *more: str) -> subprocess.Popen:
    command = [sys.executable, "-m", "takemill", "build", str(shoot), "--out", str(out), "--json", *more]
    return subprocess.Popen(command, stdout=subprocess.PIPE, text=True)


def reaches(process: subprocess.Popen, event: str) -> bool:
    """Whether a build comes to an event; it is waited for, or for the build's end."""
    return any(json.loads(line)["event"] == event for line in process.stdout)


def children_of(pid: int) -> list[int]:
    """The processes that one began, by /proc (Linux)."""
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            text = stat.read_text()
        except OSError:
            continue
        if int(text.rpartition(")")[2].split()[1]) == pid:
            found.append(int(stat.parent.name))
    return found


@pytest.mark.once
def test_kill_9_at_any_moment_costs_no_more_than_what_was_under_way(undisturbed, tmp_path):
    rng = np.random.default_rng(19)
    out, cut_off = tmp_path / "out", 0
    for _ in range(KILLS):
        process = start(undisturbed / "shoot.toml", out, "--workers", "2")
        if reaches(process, "begins"):  # else all is made already
            time.sleep(rng.uniform(0.1, 1.0))
        workers = children_of(process.pid)
        cut_off += process.poll() is None
        process.kill()
        process.wait()
        process.stdout.close()
        deadline = time.monotonic() + 20
        while any(Path(f"/proc/{pid}").exists() for pid in workers) and time.monotonic() < deadline:
            time.sleep(0.05)
        assert not [pid for pid in workers if Path(f"/proc/{pid}").exists()], "workers end with their build"
    assert cut_off, "no build was under way when it was killed"
    found = build_shoot(undisturbed / "shoot.toml", out, small_shoots.HERE)
    assert found.missing == ()
    assert results(out) == results(undisturbed / "out")
    assert look_at_shoot(undisturbed / "shoot.toml", out).reasons == ()
    assert not [path for path in out.rglob(".takemill-*") if ".takemill" not in path.parent.name]


@pytest.fixture
def cluster(tmp_path):
    """A scheduler and two workers, as processes of this machine: its address, and the workers."""
    need(find_spec("distributed"), "the farm's scheduler: pip install .[farm]")
    file, processes = tmp_path / "scheduler.json", []

    def begin(name: str, *more: str) -> subprocess.Popen:
        log = (tmp_path / f"{name}.log").open("w")
        command = [sys.executable, "-m", f"distributed.cli.dask_{name.rstrip('01')}", *more]
        processes.append(subprocess.Popen([*command, "--no-dashboard"], stdout=log, stderr=log))
        log.close()
        return processes[-1]

    begin("scheduler", "--host", "127.0.0.1", "--port", "0", "--scheduler-file", str(file))
    deadline = time.monotonic() + 60
    while not file.exists() and time.monotonic() < deadline:
        time.sleep(0.1)
    time.sleep(0.5)  # until it is written whole
    address = json.loads(file.read_text())["address"]
    once = ("--nthreads", "1", "--no-nanny", "--local-directory")
    workers = [begin(f"worker{k}", address, *once, str(tmp_path / f"w{k}")) for k in range(2)]
    yield address, workers
    for process in processes:
        process.kill()
        process.wait()


@pytest.mark.once
def test_a_cluster_whose_worker_is_killed_gives_all_and_one_whose_client_is_killed_is_gone_on_with(
    undisturbed, cluster, tmp_path
):
    address, workers = cluster
    shoot, out = undisturbed / "shoot.toml", tmp_path / "client killed"
    deadline = time.monotonic() + 60
    while time.monotonic() < deadline:  # until the workers are there
        process = start(shoot, out, "--scheduler", address)
        if process.stdout.readline():
            break
        process.stdout.close()
        process.wait()
        time.sleep(0.5)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    process.stdout.close()
    process = start(shoot, out, "--scheduler", address)
    assert process.wait(120) == 0
    process.stdout.close()
    assert results(out) == results(undisturbed / "out")

    out = tmp_path / "worker killed"
    process = start(shoot, out, "--scheduler", address)
    assert reaches(process, "begins")
    time.sleep(0.5)
    workers[0].kill()
    *_, said = map(json.loads, process.stdout)
    assert process.wait(120) == 0
    process.stdout.close()
    assert said["missing"] == []
    assert results(out) == results(undisturbed / "out")
