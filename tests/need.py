"""Outside parties that a test needs: it skips without them, and fails where all are required."""

from __future__ import annotations

import os

import pytest


def need(available: object, reason: str) -> None:
    """Skip with `reason` when `available` is false; fail instead when TAKEMILL_REQUIRE_ALL=1 (as CI sets)."""
    if available:
        return
    if os.environ.get("TAKEMILL_REQUIRE_ALL") == "1":
        pytest.fail(f"required here: {reason}")
    pytest.skip(reason)
