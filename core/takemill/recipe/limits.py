"""How large and how small the numbers of a recipe may be, by the unit that ends their key.

Wide enough for any use, and narrow enough that no stage meets a number which it cannot work with. A stage's
own checks are narrower; zero, where a stage allows it, mostly stands for "none".
"""

from __future__ import annotations

from typing import Any

from ..base.errors import RecipeError

# Common practice, no source: a filter slower than 100 s or a setting longer than ten minutes has no use for
# takes of minutes; nothing that is measured of a body is larger than 100 m or 10,000 of a smaller unit.
_LIMITS = {
    "ranges_s": (1e-4, 1e5),  # times of the take
    "same_pose_s": (1e-4, 1e5),
    "leave_s": (1e-4, 1e5),
    "window_s": (1e-3, 10.0),
    "_s": (1e-3, 600.0),
    "_hz": (0.01, 1000.0),
    "_m": (1e-6, 100.0),
    "_mm": (1e-6, 1e4),
    "_deg": (1e-6, 1e4),
}
_OTHER_LIMITS = (1e-9, 1e6)  # of all other numbers above 0
_MAX_COUNT = 100_000  # of what is counted: frames, passes


def expect_usable(key: str, value: Any, place: str) -> None:
    """Insist on numbers of a usable size; what is no number passes.

    Raises:
        RecipeError: one is too large, or so small that it stands for nothing.
    """
    if isinstance(value, tuple | list):
        for one in value:
            expect_usable(key, one, place)
    elif isinstance(value, bool) or not isinstance(value, int | float) or value == 0:
        return
    elif isinstance(value, int):
        if abs(value) > _MAX_COUNT:
            raise RecipeError(f"{place}: expected at most {_MAX_COUNT}, got {_shown(value)}")
    else:
        ending = next((one for one in _LIMITS if key.endswith(one)), "")
        least, most = _LIMITS.get(ending, _OTHER_LIMITS)
        if not least <= abs(value) <= most:
            raise RecipeError(f"{place}: expected a number from {least:g} to {most:g}, got {value:g}")


def _shown(value: int) -> str:
    text = str(value)
    return text if len(text) <= 20 else f"a number of {len(text)} digits"
