"""Takemill's engine: raw motion-capture takes in, clean game clips out; numpy only, never bpy.

A script needs the names in `__all__`; docs/python.md shows each of them at work. They and recipes stay
stable; all modules below this one are internal, and change without notice. Names load when first used.
"""

from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

__all__ = [
    "Recipe",
    "Take",
    "TakemillError",
    "build_shoot",
    "check_take",
    "find_loops",
    "fit_take",
    "make_clips",
    "map_body",
    "pack_takes",
    "parse_recipe",
    "read_recipe",
    "read_take",
    "repair_take",
    "suggest_cuts",
    "suggest_idle",
    "verify_set",
    "write_take",
]

if TYPE_CHECKING:
    from .api.clip_verbs import find_loops, make_clips, suggest_cuts, suggest_idle
    from .api.set_verbs import pack_takes, verify_set
    from .api.shoot_verbs import build_shoot
    from .api.take_verbs import check_take, fit_take, map_body, read_take, repair_take, write_take
    from .api.working_take import Take
    from .base.errors import TakemillError
    from .recipe.recipe import Recipe, parse_recipe, read_recipe

_HOMES = {
    "api.clip_verbs": ("find_loops", "make_clips", "suggest_cuts", "suggest_idle"),
    "api.set_verbs": ("pack_takes", "verify_set"),
    "api.shoot_verbs": ("build_shoot",),
    "api.take_verbs": ("check_take", "fit_take", "map_body", "read_take", "repair_take", "write_take"),
    "api.working_take": ("Take",),
    "base.errors": ("TakemillError",),
    "recipe.recipe": ("Recipe", "parse_recipe", "read_recipe"),
}
_HOME = {name: home for home, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:  # PEP 562: `takemill --help` must not load what it does not use
    if name not in _HOME:
        raise AttributeError(f"module 'takemill' has no attribute {name!r}; it offers {', '.join(__all__)}")
    import importlib

    value = getattr(importlib.import_module(f".{_HOME[name]}", __name__), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
