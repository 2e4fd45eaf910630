"""Where the sample files are: inside an installed package, or beside the checkout's code."""

from __future__ import annotations

from pathlib import Path

from ..base.errors import FileError

# Beside the package in a wheel, and in a checkout.
_CORE = Path(__file__).resolve().parents[1]
_PLACES = (_CORE / "samples", _CORE.parents[1] / "sample_blends")


def path(name: str) -> Path:
    """The sample file called `name`, such as "marsh_take.bvh".

    Raises:
        FileError: it is in neither place.
    """
    for place in _PLACES:
        if (place / name).is_file():
            return place / name
    raise FileError(f"the sample {name} is missing; reinstall takemill, or build it with sample_blends/")
