"""Mutated inputs for every reader: how many were read, how many refused, and what else came out (nothing may).

    python tests/benchmarks/fuzz_table.py [COUNT] [SEED]

COUNT cases (a million when left out) of BVH files and recipes together, and a tenth as many of GLB files and of
clips.json. Exit code 1 when anything but a TakemillError came out, or a case took more than five seconds.
"""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

import fuzz
import fuzz_readers

_SHARES = {"BVH": 0.5, "recipe": 0.5, "GLB": 0.1, "clips.json": 0.02}
_AT_ONCE = 10000


def main(arguments: list[str]) -> int:
    """Print a line for each reader; how far it is goes to stderr."""
    count, seed = (
        int(arguments[k]) if len(arguments) > k else other for k, other in ((0, 1_000_000), (1, 0))
    )
    with fuzz_readers.readers() as cases:
        results = {name: fuzz.Result() for name in cases}
        for done in range(0, count, _AT_ONCE):
            step = min(_AT_ONCE, count - done)
            for name, case in cases.items():
                start, stop = (round(_SHARES[name] * at) for at in (done, done + step))
                _add(results[name], fuzz.run(name, case, stop - start, seed, start))
            faults = sum(len(one.bad) for one in results.values())
            print(f"{done + step} of {count}, {faults} faults", file=sys.stderr, flush=True)
    print(f"{'':12}{'cases':>10}{'refused':>10}{'cases/s':>10}{'slowest ms':>12}{'faults':>8}")
    for name, one in results.items():
        print(
            f"{name:12}{one.cases:>10}{one.refused:>10}{one.cases / max(one.seconds, 1e-9):>10.0f}"
            f"{1000 * one.slowest_s:>12.1f}{len(one.bad):>8}"
        )
        for number, what in one.bad[:20]:
            print(f"  case {number}: {what}")
    return int(any(one.bad for one in results.values()))


def _add(whole: fuzz.Result, part: fuzz.Result) -> None:
    whole.cases += part.cases
    whole.refused += part.refused
    whole.seconds += part.seconds
    whole.slowest_s = max(whole.slowest_s, part.slowest_s)
    whole.bad += part.bad


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
