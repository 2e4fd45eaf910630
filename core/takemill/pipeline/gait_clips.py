"""Gaits as their parts, and ends that meet a loop: which clips these are, and which frames of a take."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from ..base.errors import InputError, RecipeError
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..clip.measure import PoseGap
from ..clip.root_motion import find_root_motion
from ..clip.seam_quality import REFUSED, judge_seam
from ..cuts.cuts import Cut
from ..feet.contacts import Contacts
from ..loops.gait_parts import GaitPart, find_gait_parts, nearest_pose
from ..recipe.recipe import ClipSpec, Moment, Recipe
from ..recipe.recipe_clip import part_name
from .cut_clip import Piece
from .prepare_take import PreparedTake

_IDLE_REACH_S = 0.4  # by which an end that meets an idle of several parts may be moved (chosen by eye)
_TURN_STEP_DEG = 45  # in which turns are named, as those on the spot are (action_kinds.py)


def part_gaits(
    cuts: Sequence[Cut], motion: Motion, body: BodyMap, contacts: Contacts, recipe: Recipe
) -> tuple[Cut, ...]:
    """Suggested cuts, gaits that loop in parts unless the recipe wants them whole.

    One in which no pose comes back well enough stays whole, and says so; so does one that is a loop alone.
    """
    if recipe.cuts.gaits == "whole":
        return tuple(cuts)
    out: list[Cut] = []
    for cut in cuts:
        parts: tuple[GaitPart, ...] = ()
        if cut.loop and cut.kind == "locomotion":
            try:
                parts = _find_parts(motion, body, contacts, (cut.start, cut.stop), recipe)
                parts = parts if len(parts) > 1 else ()
            except InputError as problem:
                cut = replace(cut, why=f"{cut.why}; not in parts: {problem}")
        name = cut.name
        if any(one.part == "turn" for one in parts):  # the path curves, and the gait goes straight
            name = re.sub(r"_curve_(left|right)(?=_|$)", f"_{_direction(motion, body, parts)}", name)
        names = _name_parts(name, parts, {one.name for one in (*cuts, *out)})
        loop = names[[one.part for one in parts].index("loop")] if parts else ""
        out += [
            replace(
                cut,
                name=name,
                start=one.start,
                stop=one.end + 1,
                loop=one.part == "loop",
                follows=loop if one.part in ("turn", "stop") else "",
                leads_to=loop if one.part in ("start", "turn") else "",
                exact=True,
                why=f"{one.part} of {cut.name}: {cut.why}",
            )
            for name, one in zip(names, parts, strict=True)
        ] or [cut]
    return tuple(out)


def expand_gait(take: PreparedTake, spec: ClipSpec, recipe: Recipe) -> tuple[ClipSpec, ...]:
    """A clip; where it is to be parted, its start, loop, turns and stop, in order of time.

    Raises:
        RecipeError: its range holds no loop, or does not begin and end calmly.
    """
    if not spec.in_parts:
        return (spec,)
    rate = take.motion.rate
    within = spec.frames(len(take.motion), rate)
    try:
        parts = _find_parts(take.motion, take.body, take.contacts, within, recipe)
    except InputError as problem:
        raise RecipeError(f"{spec}: {problem}; take a longer range, or say its parts one by one") from problem
    missing = [word for word in ("start", "stop") if all(one.part != word for one in parts)]
    if missing:
        end = {"start": "begin", "stop": "end"}[missing[0]]
        raise RecipeError(
            f"{spec}: there is no {missing[0]} in it, since its range {end}s in full motion; "
            f"let it {end} at rest"
        )
    for event in spec.events:
        if not any(one.start <= event.at.frame(rate) <= one.end for one in parts):
            raise RecipeError(
                f"{spec}: its event {event.name!r} at {event.at} lies in a cycle that is in none of its parts"
            )
    names = _name_parts(spec.name, parts, set())
    loop = names[[one.part for one in parts].index("loop")]
    out = []
    for name, one in zip(names, parts, strict=True):
        first, last = (Moment(frame, in_frames=True) for frame in (one.start, one.end))
        out.append(
            replace(
                spec,
                name=name,
                kind="locomotion",
                start=first,
                stop=last,
                loop=one.part == "loop",
                search=False,
                follows=loop if one.part in ("turn", "stop") else "",
                leads_to=loop if one.part in ("start", "turn") else "",
                in_parts=False,
                events=tuple(
                    event
                    for event in spec.events
                    if one.start <= event.at.frame(rate) < one.end + (one is parts[-1])
                ),
            )
        )
    return tuple(out)


def _find_parts(
    motion: Motion, body: BodyMap, contacts: Contacts, within: tuple[int, int], recipe: Recipe
) -> tuple[GaitPart, ...]:
    return find_gait_parts(motion, body, contacts, within, recipe.loop, recipe.cuts.turn_deg)


def _name_parts(name: str, parts: Sequence[GaitPart], taken: set[str]) -> list[str]:
    """A name for each part: "walk_forward_start_01", "walk_forward_turn_left_90_01"."""
    names: list[str] = []
    for one in parts:
        word = one.part
        if word == "turn":
            step = _TURN_STEP_DEG * max(1, round(abs(one.turn_deg) / _TURN_STEP_DEG))
            word = f"turn_{'left' if one.turn_deg > 0 else 'right'}_{step}"
        found = part_name(name, word)
        number = 2
        while found in taken or found in names:
            found = f"{part_name(name, word)}_{number}"
            number += 1
        names.append(found)
    return names


def _direction(motion: Motion, body: BodyMap, parts: Sequence[GaitPart]) -> str:
    """Where the loop goes, as the body faces: "forward", "back", "left" or "right"."""
    loop = next(one for one in parts if one.part == "loop")
    track = find_root_motion(motion.slice(loop.start, loop.end + 1), body).relative()
    left, ahead = track.position[-1, 0], -track.position[-1, 1]  # a heading of 0 faces -Y
    if abs(ahead) >= abs(left):
        return "forward" if ahead >= 0 else "back"
    return "left" if left > 0 else "right"


@dataclass(frozen=True)
class LoopStart:
    """Where the loop lies that other clips go over into: the frame of its first pose in its take."""

    take: PreparedTake
    frame: int
    length: int

    @classmethod
    def of(cls, take: PreparedTake, piece: Piece) -> LoopStart | None:
        """That of a cut loop; None for one that is joined from stretches and lies nowhere in its take."""
        if piece.idle:
            return cls(take, piece.stretches[0][0], round(2 * _IDLE_REACH_S * take.motion.rate))
        if piece.candidate is None or piece.stretches:
            return None
        return cls(take, piece.candidate.start, piece.candidate.end - piece.candidate.start)


def settle_ends(
    take: PreparedTake, spec: ClipSpec, loops: Mapping[str, LoopStart], recipe: Recipe
) -> ClipSpec:
    """A clip whose ends that meet a loop lie at the frames most like its first pose, within half a cycle.

    Raises:
        RecipeError: the pose there is too far from the loop's.
    """
    rate = take.motion.rate
    for key, name in spec.loops.items():
        loop, at = loops.get(name), spec.start if key == "follows" else spec.stop
        if loop is None:  # made before, and not of this take
            continue
        reach = max(1, loop.length // 2) if spec.search else 0
        frame, gap = nearest_pose(
            take.motion, take.body, at.frame(rate), reach, loop.take.motion, loop.frame, recipe.loop
        )
        if judge_seam(gap) in REFUSED and recipe.loop.bad_seam == "refuse":
            raise RecipeError(_describe_gap(spec, key, name, frame, gap))
        end = Moment(frame, in_frames=True)
        spec = replace(spec, start=end) if key == "follows" else replace(spec, stop=end)
    return replace(spec, search=False) if spec.loops else spec


def _describe_gap(spec: ClipSpec, key: str, name: str, frame: int, gap: PoseGap) -> str:
    end = "begins" if key == "follows" else "ends"
    return (
        f"{spec}: it {end} in frame {frame} of its take, {gap.cm:.1f} cm and {gap.cm_s:.0f} cm/s from the "
        f"first pose of {name!r}; let it {end[:-1]} where the same foot comes down as there"
    )
