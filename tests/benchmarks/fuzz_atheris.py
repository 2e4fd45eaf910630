"""BVH files and recipes that atheris makes up, led by what the readers' code does with them: none may fault.

    python -m pip install atheris     # Python 3.11 on Linux; of these benchmarks only
    python tests/benchmarks/fuzz_atheris.py [COUNT] [SEED]

COUNT inputs (a million when left out), the first byte of which says whether the rest is a BVH file or a recipe.
The first that raises anything but a TakemillError, or takes more than five seconds, ends the run with its
traceback and exit code 77. Source: atheris (Google), coverage-guided fuzzing with libFuzzer.
"""

from __future__ import annotations

import sys
import tempfile
import warnings
from pathlib import Path

import atheris

sys.path.insert(0, str(Path(__file__).parents[1]))

with atheris.instrument_imports(include=["takemill", "tomllib"]):
    import fuzz
    from takemill.base.errors import TakemillError

_RECIPES = fuzz.recipe_reader()
_seen = {"BVH": [0, 0], "recipe": [0, 0]}


def read(data: bytes) -> None:
    """One input; a fault comes out as it is."""
    name, reader = (("BVH", fuzz.read_bvh), ("recipe", _RECIPES))[data[0] % 2 if data else 0]
    _seen[name][0] += 1
    try:
        reader(data[1:])
    except TakemillError:
        _seen[name][1] += 1
    total = _seen["BVH"][0] + _seen["recipe"][0]
    if total % 50_000 == 0:
        told = ", ".join(f"{seen} {name}, {refused} refused" for name, (seen, refused) in _seen.items())
        print(f"{total}: {told}", flush=True)


def main(arguments: list[str]) -> None:
    """Run; atheris ends the process."""
    count, seed = (
        int(arguments[k]) if len(arguments) > k else other for k, other in ((0, 1_000_000), (1, 1))
    )
    warnings.simplefilter("error")
    place = Path(tempfile.mkdtemp(prefix="takemill_atheris_"))
    (place / "corpus").mkdir()
    for first, files in enumerate((fuzz.good_bvhs(), fuzz.good_recipes())):
        for number, data in enumerate(files):
            (place / "corpus" / f"{first}_{number}").write_bytes(bytes([first]) + data)
    words = sorted({word for words in fuzz.WORDS.values() for word in words} | set(fuzz.NUMBERS))
    quoted = ("".join(f"\\x{byte:02x}" for byte in word.encode()) for word in words)
    (place / "words").write_text("".join(f'"{word}"\n' for word in quoted))
    options = [f"-runs={count}", f"-seed={seed}", "-max_len=6000", "-timeout=5", f"-dict={place / 'words'}"]
    options += [f"-artifact_prefix={place}/", str(place / "corpus")]
    atheris.Setup([sys.argv[0], *options], read)
    atheris.Fuzz()


if __name__ == "__main__":
    main(sys.argv[1:])
