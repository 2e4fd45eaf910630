"""A skeleton seen as limbs: paths, lengths, ends and what the names say, for the search of body parts."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from itertools import combinations, pairwise

import numpy as np

from ..base.checks import Array
from .body_names import Hint, read_name
from .exchanged_names import without_contradictions
from .skeleton import Skeleton

UP: Array = np.array([0.0, 0.0, 1.0])  # Z, as Blender has it
_MAX_TWIN_HEIGHTS = 0.01  # of the height: joints nearer than that are one joint written twice (chosen by eye)
_MAX_LIMB_JOINTS = 16  # that are looked at from its start (chosen by eye: a tail of as many bones)


@dataclass(frozen=True)
class BodyTree:
    """The reference pose with its hints; lengths are metres, `size` is the height that tolerances follow.

    Attributes:
        skeleton: the joints.
        fixed: part -> joint, where these are known.
    """

    skeleton: Skeleton
    fixed: Mapping[str, int] = field(default_factory=dict)

    @cached_property
    def at(self) -> Array:
        """(J, 3) joints at rest in model space."""
        return self.skeleton.reference_model[1]

    @cached_property
    def hints(self) -> tuple[Hint, ...]:
        """(J,) what each name says, where names of a limb do not contradict its tree."""
        found = without_contradictions(self.skeleton, [read_name(name) for name in self.skeleton.names])
        for part, joint in self.fixed.items():
            side = next((one for one in ("left", "right") if part.startswith(one)), "")
            parts = {part[len(side) :]: 3.0}  # more than any name says
            found[joint] = replace(found[joint], side=side, parts=parts, helper=False)
        return tuple(found)

    @cached_property
    def size(self) -> float:
        """The height of the rest pose, or its largest extent when it lies flat."""
        return max(self.skeleton.height, 1e-9)

    @cached_property
    def tips(self) -> tuple[Array, ...]:
        """(J,) the tips of each joint in model space, each (N, 3)."""
        owner = np.asarray(self.skeleton.tip_joints, np.intp)
        return tuple(self.skeleton.reference_tips[owner == joint] for joint in range(len(self.skeleton)))

    @cached_property
    def below(self) -> tuple[tuple[float, int], ...]:
        """(J,) length of the longest chain down from each joint, and the child it leads to (-1: a tip)."""
        out: list[tuple[float, int]] = [(0.0, -1)] * len(self.skeleton)
        for joint in reversed(range(len(self.skeleton))):
            chains = [
                (self.gap(joint, c) + out[c][0], c)
                for c in self.skeleton.children[joint]
                if not self.helps(c)
            ]
            chains += [(float(np.linalg.norm(tip - self.at[joint])), -1) for tip in self.tips[joint]]
            out[joint] = max(chains, default=(0.0, -1))
        return tuple(out)

    @cached_property
    def nubs(self) -> frozenset[int]:
        """Joints that only event an end: no children and, where the skeleton knows tips, no length."""
        if not self.skeleton.tip_joints:
            return frozenset()
        thin = 1e-3 * self.size
        return frozenset(
            j for j, children in enumerate(self.skeleton.children) if not children and self.below[j][0] < thin
        )

    def helps(self, joint: int) -> bool:
        """Whether a joint's name says that it is no part of the body."""
        return self.hints[joint].helper or "prop" in self.hints[joint].parts

    def gap(self, a: int, b: int) -> float:
        """The distance between two joints."""
        return float(np.linalg.norm(self.at[a] - self.at[b]))

    def longest(self, joint: int) -> tuple[int, ...]:
        """The longest chain down from `joint`, itself included."""
        path = [joint]
        while (child := self.below[path[-1]][1]) >= 0:
            path.append(child)
        return tuple(path)

    def points(self, joints: Iterable[int]) -> Array:
        """(N, 3) the places of joints and of their tips."""
        return np.concatenate([np.concatenate([self.at[j][None], self.tips[j]]) for j in joints])

    def meet(self, *joints: int) -> int:
        """The lowest joint that all of `joints` are or hang below; -1 when they share none."""
        paths = [self.skeleton.path_to(j) for j in joints]
        shared = [level[0] for level in zip(*paths, strict=False) if len(set(level)) == 1]
        return shared[-1] if shared else -1

    def path_between(self, top: int, end: int) -> tuple[int, ...]:
        """The joints from below `top` (-1: from a root) down to `end`, which is included."""
        path = self.skeleton.path_to(end)
        return path[path.index(top) + 1 :] if top >= 0 else path

    def named_pair(self, end: Sequence[str], above: Sequence[str]) -> tuple[int, int] | None:
        """The left and the right joint that names call one of the parts `end`, below ones called `above`."""
        found = []
        for side in ("left", "right"):
            scored = [
                (sum(max(self.hints[j].says(p) for p in above) > 0 for j in path), says, -len(path), -joint)
                for joint, hint in enumerate(self.hints)
                if hint.side == side and (says := max(hint.says(p) for p in end)) > 0
                and len(path := self.skeleton.path_to(joint)) >= 3
            ]  # fmt: skip
            if not scored or (best := max(scored))[0] == 0:
                return None
            found.append(-best[-1])
        return found[0], found[1]

    def like_pair(
        self, joints: Sequence[int], tolerance: float, least: int = 3
    ) -> list[tuple[tuple[int, ...], tuple[int, ...]]]:
        """Pairs of longest chains down of `least` joints or more and about the same length, on two sides."""
        chains = [chain for j in joints if not self.helps(j) and len(chain := self.longest(j)) >= least]
        length = {chain: self.below[chain[0]][0] for chain in chains}
        return [
            (a, b)
            for a, b in combinations(chains, 2)
            if abs(length[a] - length[b]) < tolerance * (length[a] + length[b])
            and np.linalg.norm((self.at[a[1]] - self.at[b[1]])[:2]) > 0.03 * self.size
        ]

    def _fork(self, path: Sequence[int]) -> int | None:
        """The place where a silent path parts into fingers or toes, if that leaves a limb."""
        if any(self.hints[j].parts for j in path):
            return None
        for place, joint in enumerate(path[2:], 2):
            # One long child and a single joint beside it are a limb and its twist joint.
            sizes = [len(self.longest(child)) > 1 for child in self.skeleton.children[joint]]
            if len(sizes) > 2 or (len(sizes) == 2 and sizes[0] == sizes[1]):
                return place
        return None

    def _bulge(self, path: Sequence[int]) -> float:
        """How far the joints between the ends of `path` lie off the line between these, as a part of it."""
        start, line = self.at[path[0]], self.at[path[-1]] - self.at[path[0]]
        off = np.linalg.norm(np.cross(self.at[list(path[1:-1])] - start, line), axis=-1)
        return float(off.max(initial=0.0) / max(line @ line, 1e-12 * self.size**2))

    def limb(
        self,
        path: Sequence[int],
        parts: tuple[str, str, str],
        inner: Iterable[int] = (),
        like: tuple[float, float] | None = None,
    ) -> tuple[float, tuple[int, int, int]] | None:
        """Which three places on `path` are a limb's start, bend and end, and how surely; None: too short.

        Names count most; among those that say nothing, two straight stretches of equal length that cover
        most of the way win, and where they are known, of lengths `like` those of the other side. Joints
        `inner` are unlikely to be the start.
        """
        fork = self._fork(path)
        path = (path if fork is None else path[: fork + 1])[:_MAX_LIMB_JOINTS]
        if len(path) < 3:
            return None
        whole = sum(self.gap(a, b) for a, b in pairwise(path)) + self.below[path[-1]][0] or 1.0

        def score(places: tuple[int, int, int]) -> float:
            chords = [self.gap(path[a], path[b]) for a, b in pairwise(places)]
            shape = sum(chords) / whole * min(chords) / (max(chords) or 1.0)
            if like:
                apart = sum(abs(a - b) for a, b in zip(chords, like, strict=True))
                shape *= np.exp(-4 * apart / max(sum(like), 1e-12))
            shape *= np.exp(-10 * sum(self._bulge(path[a : b + 1]) for a, b in pairwise(places)))
            shape *= 0.5 if path[places[0]] in inner else 1.0
            shape *= 0.7 if path[places[2]] in self.nubs else 1.0
            shape *= 1.5 if places[2] == fork else 1.0
            # The wrist bends, and a hand a little below it does not; so the ankle, and a foot below it.
            for p in range(places[1] + 1, places[2]):
                if self.hints[path[p]].says(parts[2]) > 0:
                    shape -= (
                        1.0 if self.gap(path[p], path[places[2]]) < _MAX_TWIN_HEIGHTS * self.size else 0.15
                    )
            names = sum(self.hints[path[p]].says(part) for p, part in zip(places, parts, strict=True))
            return float(shape + 1.5 * names)

        best = max(combinations(range(len(path)), 3), key=score)
        return score(best), best
