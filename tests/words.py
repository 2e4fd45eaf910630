"""The words that labels, keys, messages and pages gave up, each with the one that stands for it.

They read as riddles, said two things, or were one of several names of one thing.
"""

from __future__ import annotations

import re

GIVEN_UP = {  # pattern of the old word: what is said now
    r"stand(ing|s) still|\bstill_": "idle",
    r"\btravel(s|led|ling)?\b": "root motion",
    r"\btaken away\b": "in place",
    r"\bfoot(falls?)\b": "foot contact events",
    r"\bsplit (root|travel)": "extract root motion",
    r"\bmend(s|ed|ing|able)?\b": "repair",
    r"\bfaults?\b": "finding",
    r"\bseats?\b|\bseated\b": "sensor misalignment",
    r"\bsnug\b|\bloose\b": "good, fair, poor, bad",
    r"\bapart\b": "separate",
    r"keys as floats": "32-bit rotations",
    r"only bones that deform": "deform bones only",
    r"^repeats$": "loop",
    r"look for the seam|find the seam": "find best seam",
    r"\bfoot ?lock": "pin",
    r"^skating feet$|plant feet": "pin feet",
    r"arms out by degrees": "arm clearance",
    r"\bbeyond\b|\btake off\b": "reference clip, subtract",
    r"\bplaying (action|clip|take)\b": "active action, is mapped to",
    r"single stages": "single steps",
    r"suggests? (itself|themselves)": "suggested clips",
    r"\b(be|is|are|was) told\b|\btells? (nothing|little)\b": "cannot be determined",
    r"\ball (is |are )?well\b|\bnot well\b": "ok",
    r"\bway from above\b": "top view",
    r"\bthe way\b|\bits way\b|\bway over\b": "path",
    r"\bmarks\b|\bmarked\b": "events",
    r"\bon the spot\b": "in place",
}


def given_up(text: str) -> str:
    """The first word of `text` that was given up, and what stands for it; "" where there is none."""
    for pattern, instead in GIVEN_UP.items():
        if found := re.search(pattern, text, re.IGNORECASE):
            return f"{found[0]!r}, say {instead}"
    return ""
