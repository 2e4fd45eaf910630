"""A take made ready for cutting: its body found, repaired and judged."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np

from ..base.errors import InputError
from ..body.body_map import BodyMap, correct_body_map
from ..body.motion import Motion
from ..body.skeleton import Skeleton
from ..feet.contacts import Contacts, find_contacts
from ..fit.clearance import Clearance
from ..goals.goal_results import GoalResult
from ..health.check import Finding, Health, check
from ..recipe.recipe import Recipe
from ..repair.repair import repair
from .leg_reach import LegReach

Progress = Callable[[str, float], None]
"""Called with what is being done, and the share that is done, 0 to 1."""


@dataclass(frozen=True)
class PreparedTake:
    """A take, repaired and judged.

    Attributes:
        name: of the take, unique in a set.
        digest: SHA-256 of what was read, in hexadecimal.
        raw: the take as it came.
        body: which joint plays which part.
        motion: the repaired take: same skeleton, frames and rate.
        findings: what the repair found.
        health: of the repaired take: what is left, and its measures.
        contacts: of the repaired take.
        goals: what became of contacts of hands and body; of a take that was fitted to a character.
        clearance: how deep its arms lay in the character's body, and lie; None where they were not cleared.
        reach: what the character's legs lack; None for a take that was not fitted.
    """

    name: str
    digest: str
    raw: Motion
    body: BodyMap
    motion: Motion
    findings: tuple[Finding, ...]
    health: Health
    contacts: Contacts
    goals: tuple[GoalResult, ...] = ()
    clearance: Clearance | None = None
    reach: LegReach | None = None


def ignore_progress(text: str, part: float) -> None:
    """A `Progress` that shows nothing."""
    del text, part


def body_of(skeleton: Skeleton, recipe: Recipe) -> BodyMap:
    """The body map that is found, corrected by the recipe's [body].

    Raises:
        BodyMapError: none can be found, or the recipe names no joint or no part.
    """
    given = BodyMap.from_names(skeleton, {part: name for part, name in recipe.body.items() if name})
    found = correct_body_map(skeleton, given.joints)
    return BodyMap({part: joint for part, joint in found.joints.items() if recipe.body.get(part) != ""})


def prepare_take(
    name: str,
    motion: Motion,
    body: BodyMap,
    recipe: Recipe,
    progress: Progress = ignore_progress,
    digest: str = "",
) -> PreparedTake:
    """A take repaired and judged; `digest` is that of its file, found from the arrays when empty."""
    progress(f"{name}: repairing", 0.0)
    repaired, findings = repair(motion, body, recipe.repair)
    progress(f"{name}: checking", 0.5)
    return judge_take(name, motion, repaired, body, findings, recipe, digest)


def judge_take(
    name: str,
    raw: Motion,
    motion: Motion,
    body: BodyMap,
    findings: tuple[Finding, ...],
    recipe: Recipe,
    digest: str = "",
    contacts: Contacts | None = None,
) -> PreparedTake:
    """A take that was repaired before, with what its repair found, judged; `contacts` if they are known."""
    contacts = contacts or find_contacts(motion, body, recipe.contacts)
    health = check(motion, body, recipe.health, contacts)
    return PreparedTake(name, digest or digest_of(raw), raw, body, motion, findings, health, contacts)


def expect_one_skeleton(motions: Mapping[str, Motion]) -> None:
    """Insist on takes (by name) of one skeleton, since a set has one.

    Raises:
        InputError: a joint is missing, hangs elsewhere or rests elsewhere.
    """
    (first, motion), *others = motions.items()
    for name, other in others:
        difference = motion.skeleton.difference(other.skeleton)
        if difference:
            raise InputError(
                f"take {name!r} is of another skeleton than {first!r}: {difference}; pack them separately"
            )


def digest_of(motion: Motion) -> str:
    """SHA-256 of a motion's joints, rate and arrays, in hexadecimal."""
    text = repr((motion.skeleton.names, motion.skeleton.parents, motion.rate, sorted(motion.translations)))
    digest = hashlib.sha256(text.encode())
    for array in (motion.rotations, motion.root_translation, *motion.translations.values()):
        digest.update(np.ascontiguousarray(array, "<f8").tobytes())
    return digest.hexdigest()
