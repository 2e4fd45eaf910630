"""Builds of shoots in tables: time, memory and bytes by workers; a build of nothing; one clip changed; kills.

    python tests/benchmarks/build_table.py                  # 200 takes of about 60 s, three characters
    python tests/benchmarks/build_table.py 8 30             # so many takes, of so many seconds
    python tests/benchmarks/build_table.py 8 30 kills 50    # and kill -9 at so many random moments
    python tests/benchmarks/build_table.py 8 5 workers 8    # and with so many workers, for their bytes

Takes are those of `labelled_takes.py` with the noise of a suit, seeded by their number; characters are stick
meshes of three sizes. Each ratio is to one worker in the same run; where other programs use the machine, seconds
of processors tell more than seconds.
"""

from __future__ import annotations

import os
import resource
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
from distributed import LocalCluster

sys.path.insert(0, str(Path(__file__).parents[1]))

import small_shoots
from labelled_takes import labelled_take, with_noise
from rigs import character
from takemill.files.bvh import write_bvh
from takemill.shoot.memory_needs import need_of

WAIT_S = 0.05  # between two looks at a worker's memory


def write_shoot(folder: Path, count: int, seconds: float) -> Path:
    (folder / "takes").mkdir(parents=True)
    (folder / "characters").mkdir()
    skeleton = None
    for seed in range(count):
        motion = with_noise(labelled_take(seed), seed).motion
        skeleton = skeleton or motion.skeleton
        frames = round(seconds * motion.rate)
        times = -(-frames // len(motion))
        if times > 1:
            motion = replace(
                motion,
                rotations=np.concatenate([motion.rotations] * times),
                root_translation=np.concatenate([motion.root_translation] * times),
                translations={k: np.concatenate([one] * times) for k, one in motion.translations.items()},
            )
        write_bvh(folder / f"takes/take_{seed:03}.bvh", motion.slice(0, frames))
    for name, size in (("short", 0.85), ("middle", 1.0), ("tall", 1.15)):
        grown = replace(
            skeleton,
            rest_translation=size * skeleton.rest_translation,
            tip_offsets=size * skeleton.tip_offsets,
        )
        (folder / f"characters/{name}.glb").write_bytes(character(grown))
    (folder / "shoot.toml").write_text(small_shoots.SHOOT)
    return folder / "shoot.toml"


def children_of(pid: int) -> list[int]:
    found = []
    for stat in Path("/proc").glob("[0-9]*/stat"):
        try:
            if int(stat.read_text().rpartition(")")[2].split()[1]) == pid:
                found.append(int(stat.parent.name))
        except (OSError, ValueError):
            continue
    return found


def peak_mb(pid: int) -> float:
    """The largest memory that a process had, MB (VmHWM of Linux)."""
    try:
        lines = Path(f"/proc/{pid}/status").read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if line.startswith("VmHWM")) / 1024
    except (OSError, StopIteration):
        return 0.0


def cpu_of(pid: int) -> float:
    """Seconds of processors that a process has used (Linux)."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def run(shoot: Path, out: Path, *more: str, cluster: Sequence[int] = ()) -> tuple[float, float, float]:
    """Seconds of a build, those of processors in it, and the largest memory of one of its workers in MB.

    `cluster` are the processes of workers that are there before and stay; their seconds count too.
    """
    command = [sys.executable, "-m", "takemill", "build", str(shoot), "--out", str(out), *more]
    begun, before = time.perf_counter(), resource.getrusage(resource.RUSAGE_CHILDREN)
    worked = sum(map(cpu_of, cluster))
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    peaks: dict[int, float] = {}

    def look() -> None:
        while process.poll() is None:
            for pid in [*children_of(process.pid), *cluster]:
                peaks[pid] = max(peaks.get(pid, 0.0), peak_mb(pid))
            time.sleep(WAIT_S)

    watch = threading.Thread(target=look)
    watch.start()
    process.wait()
    took = time.perf_counter() - begun
    watch.join()
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    cpu += sum(map(cpu_of, cluster)) - worked
    return took, cpu, max(peaks.values(), default=0.0)


def more_workers() -> list[int]:
    """Numbers of workers that were asked for beside 1 and 2."""
    return [int(sys.argv[4])] if sys.argv[3:4] == ["workers"] else []


def print_row(
    label: str,
    row: tuple[float, float, float],
    one: float,
    one_cpu: float,
    need: float,
    found: dict[str, bytes],
    first: dict[str, bytes],
) -> None:
    """One build beside that of one worker, and its workers' memory beside that of one take."""
    took, cpu, peak = row
    same = "" if found is first else "same" if found == first else "OTHERS"
    times = f"{peak / need:5.2f} of one take's" if need else ""
    print(
        f"{label:24} {took:8.1f} {one / took:7.2f} {cpu:12.1f} {cpu / one_cpu:7.2f} {peak:8.0f}  {same} {times}",
        flush=True,
    )


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    kills = int(sys.argv[4]) if sys.argv[3:4] == ["kills"] else 0
    folder = Path(tempfile.mkdtemp(prefix="build_table_"))
    shoot = write_shoot(folder, count, seconds)
    need_mb = max(need_of(str(path)) for path in (folder / "takes").glob("*.bvh")) / 2**20
    size_mb = sum(path.stat().st_size for path in (folder / "takes").iterdir()) / 1e6
    print(
        f"{count} takes of {seconds:g} s, {size_mb:.0f} MB of BVH, 3 characters; load {os.getloadavg()[0]:.1f}"
    )
    print(f"{'':24} {'seconds':>8} {'speed':>7} {'processor s':>12} {'of one':>7} {'MB each':>8}  bytes")
    alone = write_shoot(folder / "alone", 1, seconds)
    _, _, need = run(alone, folder / "out_alone", "--workers", "1")
    print(f"{'one take alone':24} {'':8} {'':7} {'':12} {'':7} {need:8.0f}  {need_mb / need:.2f} foretold")
    first, one, one_cpu = None, 0.0, 0.0
    for workers in (1, 2, *more_workers()):
        out = folder / f"out{workers}"
        row = run(shoot, out, "--workers", str(workers))
        found = small_shoots.results(out)
        first, one, one_cpu = first or found, one or row[0], one_cpu or row[1]
        print_row(f"{workers} workers", row, one, one_cpu, need, found, first)
    with LocalCluster(2, threads_per_worker=1, dashboard_address=None) as cluster:
        pids = [nanny.pid for nanny in cluster.workers.values()]
        given = ("--scheduler", cluster.scheduler_address)
        row = run(shoot, folder / "out_dask", *given, cluster=pids)
        found = small_shoots.results(folder / "out_dask")
        print_row("2 workers of Dask", row, one, one_cpu, need, found, first)
    for label in ("nothing to do", "nothing, once more"):
        took, cpu, _ = run(shoot, folder / "out2")
        print(f"{label:24} {took:8.2f} {'':7} {cpu:12.2f} {cpu / one_cpu:7.4f}", flush=True)
    (folder / "takes/take_000.toml").write_text('[[clip]]\nname = "a"\nkind = "other"\nfrom = 1\nto = 3\n')
    run(shoot, folder / "out2")
    (folder / "takes/take_000.toml").write_text('[[clip]]\nname = "a"\nkind = "other"\nfrom = 1\nto = 3.2\n')
    took, cpu, _ = run(shoot, folder / "out2")
    print(f"{'one clip changed':24} {took:8.2f} {'':7} {cpu:12.2f} {cpu / one_cpu:7.4f}", flush=True)
    (folder / "takes/take_000.toml").unlink()
    if kills:
        killed(shoot, folder / "killed", kills, one, first)
    shutil.rmtree(folder)


def killed(shoot: Path, out: Path, kills: int, one: float, first: dict[str, bytes]) -> None:
    """Kill -9 at random moments, each within a fraction of a whole build, then a build that is let be."""
    rng = np.random.default_rng(19)
    wrong = 0
    for number in range(kills):
        if number % 5 == 0:
            shutil.rmtree(out, ignore_errors=True)
        command = [sys.executable, "-m", "takemill", "build", str(shoot), "--out", str(out)]
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(rng.uniform(0.3, one / 3))
        process.kill()
        process.wait()
        if number % 5 == 4 or number == kills - 1:
            run(shoot, out)
            wrong += small_shoots.results(out) != first
    print(f"{kills} kills, at most 5 of one build: {wrong} builds ended with other bytes")


if __name__ == "__main__":
    main()
