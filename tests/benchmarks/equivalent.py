"""Mutants that change nothing that anybody could see, for mutate.py, each with the reason."""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, str], str] = {
    # (file, mutant as mutate.py prints it behind the line's number): why nobody can see it
}
