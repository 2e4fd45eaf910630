"""The list of mutants that nobody can see matches the source as it is."""

from __future__ import annotations

from pathlib import Path

import takemill
from benchmarks.equivalent import EQUIVALENT
from benchmarks.mutants import stale_keys

ENGINE = Path(takemill.__file__).parent


def test_every_equivalent_mutant_is_still_one_that_the_engine_has():
    """Edit a line, and its entry of equivalent.py no longer matches: mutate.py would count a survivor."""
    assert stale_keys(EQUIVALENT, ENGINE) == []


def test_an_entry_whose_line_or_file_is_gone_is_named():
    (name, mutant), *_ = EQUIVALENT
    gone = [("no/such.py", "x  |  1  ->  2"), (name, mutant.replace("True", "Truth"))]
    assert stale_keys({(name, mutant), *gone}, ENGINE) == sorted(gone)
