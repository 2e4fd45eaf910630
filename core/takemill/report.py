"""One page that shows what a set holds."""

from __future__ import annotations

from collections.abc import Sequence

from .clip_facts import Facts
from .pipeline import FinishedClip, PreparedTake


def render_report(facts: Facts, takes: Sequence[PreparedTake], clips: Sequence[FinishedClip]) -> str:
    """A self-contained page."""
    del takes, clips
    return f"<!doctype html><title>{facts['name']}</title>"
