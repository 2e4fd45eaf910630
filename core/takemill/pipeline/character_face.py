"""The face of one character beside its takes: which of them it belongs to, and how much later it begins."""

from __future__ import annotations

from collections.abc import Sequence

from ..base.errors import RecipeError
from ..clip.clap import find_claps
from ..recipe.recipe_face import FaceSpec
from .prepare_take import PreparedTake


def face_offset_s(character: str, spec: FaceSpec, takes: Sequence[PreparedTake]) -> tuple[str, float]:
    """The take that a face belongs to, and by how many seconds its animation begins later.

    Raises:
        RecipeError: the take is not there, or there are several and none is named.
        InputError: a clap is to be found, and the take has none.
    """
    place = f"[characters.{character}.face]"
    names = [take.name for take in takes]
    if not spec.take and len(names) > 1:
        raise RecipeError(
            f"{place}: say which take it belongs to: take = one of {', '.join(map(repr, names))}"
        )
    name = spec.take or names[0]
    if name not in names:
        raise RecipeError(f"{place}: there is no take {name!r}; known: {', '.join(map(repr, names))}")
    if spec.clap_s is None:
        return name, spec.offset_s
    take = takes[names.index(name)]
    return name, float(find_claps(take.motion, take.body)[0]) - spec.clap_s + spec.offset_s
