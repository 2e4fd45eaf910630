"""Files that atheris makes up, led by what the readers' code does with them: none may fault.

    python -m pip install atheris     # Python 3.11 on Linux; of these benchmarks only
    python tests/benchmarks/fuzz_atheris.py READER [COUNT] [SEED]

READER is BVH, recipe, GLB, list (clips.json) or record (of an Action; needs Blender's module); COUNT inputs of it
(a million when left out). Those that hold JSON are changed as JSON, most of the time. The first that raises anything but a
TakemillError, takes more than ten seconds of the processor or a gigabyte ends the run with its traceback and exit code 77.
Source: atheris (Google), coverage-guided fuzzing with libFuzzer.
"""

from __future__ import annotations

import json
import os
import random
import resource
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1]))

with atheris.instrument_imports(include=["takemill", "takemill_addon", "tomllib"]):
    import fuzz_harms
    import fuzz_readers
    from takemill.base.errors import TakemillError

_LONGEST_S, _MOST_MB = 10, 1024
_STUCK_S = 300  # of the clock, on a machine that does other things too
_EVERY = 50_000  # inputs, between lines that say how far it is
_AS_BYTES = 0.2  # of the changes to what holds JSON


def reader_of(name: str, place: Path) -> tuple[Callable[[bytes], object], list[bytes]]:
    """A reader, and good inputs to begin with."""
    if name == "BVH":
        return fuzz_readers.read_bvh, fuzz_readers.good_bvhs()
    if name == "recipe":
        return fuzz_readers.recipe_reader(), fuzz_readers.good_recipes()
    if name == "GLB":
        return fuzz_readers.glb_reader(), fuzz_readers.good_glbs()
    if name == "list":
        return fuzz_readers.list_reader(place / "set"), [fuzz_readers.good_list(place / "set")]
    return fuzz_readers.record_reader(), [json.dumps(fuzz_readers.GOOD_RECORD).encode()]


def mutator_of(name: str) -> Callable[[bytes, int, int], bytes] | None:
    """How inputs that hold JSON are changed; None leaves it to libFuzzer."""
    change = {
        "GLB": fuzz_harms.harmed_glb,
        "list": fuzz_harms.harmed_text,
        "record": fuzz_harms.harmed_text,
    }.get(name)
    if change is None:
        return None

    def mutate(data: bytes, most: int, seed: int) -> bytes:
        rng = random.Random(seed)
        if rng.random() < _AS_BYTES:
            return bytes(atheris.Mutate(data, most))
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            return change(data, rng)[:most]

    return mutate


def main(arguments: list[str]) -> None:
    """Run; atheris ends the process."""
    name = arguments[1]
    count, seed = (
        int(arguments[k]) if len(arguments) > k else other for k, other in ((2, 1_000_000), (3, 1))
    )
    place = Path(tempfile.mkdtemp(prefix="takemill_atheris_"))
    (place / "corpus").mkdir()
    read, good = reader_of(name, place)
    for number, data in enumerate(good):
        (place / "corpus" / str(number)).write_bytes(data)
    seen = [0, 0]

    def one(data: bytes) -> None:
        seen[0] += 1
        start_s = time.process_time()
        try:
            read(data)
        except TakemillError:
            seen[1] += 1
        if time.process_time() - start_s > _LONGEST_S:
            raise TimeoutError(f"{time.process_time() - start_s:.1f} s of the processor")
        if seen[0] % _EVERY == 0 or seen[0] == count:
            most_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss // 1024
            print(f"{name}: {seen[0]} inputs, {seen[1]} refused, none at fault, {most_mb} MB", flush=True)
        if seen[0] == count:
            os._exit(0)  # Blender's module does not let atheris end the process

    warnings.simplefilter("error")
    words = sorted({word for words in fuzz_harms.WORDS.values() for word in words} | set(fuzz_harms.NUMBERS))
    quoted = ("".join(f"\\x{byte:02x}" for byte in word.encode()) for word in words)
    (place / "words").write_text("".join(f'"{word}"\n' for word in quoted))
    longest = max(6000, 2 * max(map(len, good)))
    options = [f"-runs={count}", f"-seed={seed}", f"-max_len={longest}", f"-timeout={_STUCK_S}"]
    options += [f"-rss_limit_mb={_MOST_MB}", f"-dict={place / 'words'}", "-print_final_stats=1"]
    options += [f"-artifact_prefix={place}/", str(place / "corpus")]
    atheris.Setup([sys.argv[0], *options], one, custom_mutator=mutator_of(name))
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv)
