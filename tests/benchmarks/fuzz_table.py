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

_SHARES = {"BVH": 0.5, "recipe": 0.5, "GLB": 0.1, "clips.json": 0.02}
_AT_ONCE = 20000


def main(arguments: list[str]) -> int:
    """Print a line for each reader."""
    count, seed = (
        int(arguments[k]) if len(arguments) > k else other for k, other in ((0, 1_000_000), (1, 0))
    )
    failed = False
    print(f"{'':12}{'cases':>10}{'refused':>10}{'cases/s':>10}{'slowest ms':>12}{'faults':>8}", flush=True)
    with fuzz.readers() as cases:
        for name, case in cases.items():
            whole, wanted = fuzz.Result(), max(round(_SHARES[name] * count), 1)
            for start in range(0, wanted, _AT_ONCE):
                part = fuzz.run(name, case, min(_AT_ONCE, wanted - start), seed, start)
                whole.cases += part.cases
                whole.refused += part.refused
                whole.seconds += part.seconds
                whole.slowest_s = max(whole.slowest_s, part.slowest_s)
                whole.bad += part.bad
            print(
                f"{name:12}{whole.cases:>10}{whole.refused:>10}{whole.cases / whole.seconds:>10.0f}"
                f"{1000 * whole.slowest_s:>12.1f}{len(whole.bad):>8}",
                flush=True,
            )
            for number, what in whole.bad[:20]:
                print(f"  case {number}: {what}")
            failed |= bool(whole.bad)
    return int(failed)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
