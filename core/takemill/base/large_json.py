"""JSON of many megabytes, as a GLB may hold it."""

from __future__ import annotations

import gc
import json
from typing import Any

MAX_JSON_BYTES = 50_000_000
"""Of a GLB's JSON. A clip of ours takes 6 kB of it with 24 joints (measured), so that this holds thousands.
To read as much through five doors took 4 to 8 s, whatever it held (`tests/large_inputs.py`)."""


def loads(data: bytes | str, **options: Any) -> Any:
    """As `json.loads`, in a quarter of the time where it makes a million objects.

    The rest goes into Python's search for objects that hold each other in a circle. What is read of JSON
    never does, so that the search pauses.

    Raises:
        ValueError: it is no JSON.
        RecursionError: it nests too deeply.
    """
    searches = gc.isenabled()
    gc.disable()
    try:
        return json.loads(data, **options)
    finally:
        if searches:
            gc.enable()
