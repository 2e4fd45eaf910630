"""What each stage makes of a motion, in terms that do not depend on how its file is written."""

from __future__ import annotations

from collections.abc import Sequence, Set
from dataclasses import dataclass, replace

import numpy as np

import forms
from takemill.base.checks import Array
from takemill.body.body_map import heading
from takemill.body.intake import Intake
from takemill.files.bvh import parse_bvh
from takemill.health.check import check
from takemill.loops.loop_search import find_loops
from takemill.pipeline import stages
from takemill.pipeline.plan_clips import suggest_take_cuts
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe
from takemill.sets.take_files import Read, intake_of

__all__ = ["Made", "Seen", "assert_made_alike", "assert_read_alike", "made", "replace", "seen"]

POSITION_M = 1e-4  # issue 12: positions after repair and pack within 0.1 mm of the original's
FRAMES = 1  # issue 12: cuts, loops and events within one frame


@dataclass(frozen=True)
class Seen:
    """What was read of a file.

    Attributes:
        read: the motion, its body map, and how the file stores it.
        intake: what the verbs say of it.
        came: (J,) the joint of the first motion that each joint is; -1 for new ones.
    """

    read: Read
    intake: Intake
    came: tuple[int, ...]

    def parts(self) -> dict[str, int]:
        """Part -> joint of the first motion; a root that a form added is left out."""
        found = {part: self.came[joint] for part, joint in self.read[1].joints.items()}
        return {part: joint for part, joint in found.items() if joint >= 0}

    def heading(self) -> Array:
        return heading(self.read[0], self.read[1])

    def placed(self, positions: Array) -> dict[int, Array]:
        """Positions (F, J, 3) by the joint of the first motion: (F, 3) each."""
        return {joint: positions[:, k] for k, joint in enumerate(self.came) if joint >= 0}


def seen(form: forms.Plain, **writing: str) -> Seen:
    """A form written, and read again as the command line reads it."""
    motion, layout = parse_bvh(forms.bvh_text(form, **writing))
    body = body_of(motion.skeleton, Recipe())
    read = motion, body, layout
    intake = intake_of(read, Recipe())
    assert intake is not None
    came = tuple(form.came[form.names.index(name)] for name in motion.skeleton.names)
    return Seen(read, intake, came)


@dataclass(frozen=True)
class Made:
    """What the stages made of a file.

    Attributes:
        findings: kind, joint of the first motion (-1 for the body), start and stop; before and after repair.
        repaired: by joint of the first motion, its places (F, 3).
        cuts: kind, loop, start and stop.
        loops: start and end of the best ones.
        clips: name -> first and last frame, events (name and frame), and by joint its places (F, 3).
    """

    findings: Sequence[tuple[str, int, int, int]]
    repaired: dict[int, Array]
    cuts: Sequence[tuple[str, bool, int, int]]
    loops: Sequence[tuple[int, int]]
    clips: dict[str, tuple[tuple[int, int], Sequence[tuple[str, int]], dict[int, Array]]]


def made(what: Seen) -> Made:
    """All stages, from check to finished clips, with the default recipe."""
    motion, body, _ = what.read
    recipe = Recipe()
    take = prepare_take("take", motion, body, recipe)
    names = motion.skeleton.names
    found = [
        (one.kind, what.came[names.index(one.joint)] if one.joint else -1, one.start, one.stop)
        for one in (*check(motion, body, recipe.health).findings, *take.health.findings)
    ]
    cuts = [(cut.kind, cut.loop, cut.start, cut.stop) for cut in suggest_take_cuts(take, recipe)]
    long = motion.duration_s >= 0.5
    loops = [(one.start, one.end) for one in find_loops(take.motion, body, recipe.loop)[:1]] if long else []
    clips = {}
    for clip in stages.make_set(take, recipe) if cuts else ():
        places = clip.motion.model()[1]
        added = len(clip.motion.skeleton) - len(motion.skeleton)
        by_joint = {joint: places[:, k + added] for k, joint in enumerate(what.came) if joint >= 0}
        events = [(event.name, event.frame) for event in clip.events]
        clips[clip.name] = clip.source_range, events, by_joint
    return Made(sorted(found), what.placed(take.motion.model()[1]), cuts, loops, clips)


def assert_read_alike(got: Seen, wanted: Seen, but: Set[str] = frozenset()) -> None:
    """The same body, but for some parts, and the same size and axes; nothing that is implausible."""
    parts = {part: joint for part, joint in wanted.parts().items() if part not in {"root", *but}}
    assert {part: joint for part, joint in got.parts().items() if part not in but} == parts
    assert got.intake.problems == wanted.intake.problems
    assert abs(got.intake.height_m - wanted.intake.height_m) < 0.01 * wanted.intake.height_m
    assert abs(got.intake.floor_m - wanted.intake.floor_m) < POSITION_M
    gap = max(
        float(np.abs(places - other).max())
        for places, other in zip(
            _ordered(got.placed(got.read[0].model()[1])),
            _ordered(wanted.placed(wanted.read[0].model()[1])),
            strict=True,
        )
    )
    assert gap < POSITION_M
    # Hips of a frame may lean a little otherwise than those of a rest pose, which shows where they tilt much.
    off_deg = np.degrees(np.abs((got.heading() - wanted.heading() + np.pi) % (2 * np.pi) - np.pi))
    assert off_deg[0] < 1.0
    assert np.median(off_deg) < 2.0


def assert_made_alike(got: Made, wanted: Made, clips_m: float = POSITION_M) -> None:
    """The same findings, cuts, loops, events and places, those of clips within `clips_m`."""
    assert _near(got.findings, wanted.findings, FRAMES)
    assert _near(got.cuts, wanted.cuts, FRAMES)
    assert _near(got.loops, wanted.loops, FRAMES)
    assert got.repaired.keys() == wanted.repaired.keys()
    assert _gap(got.repaired, wanted.repaired) < POSITION_M
    assert got.clips.keys() == wanted.clips.keys()
    for name, (span, events, places) in got.clips.items():
        other_span, other_events, other_places = wanted.clips[name]
        assert _near([span], [other_span], FRAMES)
        assert _near(events, other_events, FRAMES)
        if span == other_span:
            assert _gap(places, other_places) < clips_m


def _ordered(places: dict[int, Array]) -> list[Array]:
    return [places[joint] for joint in sorted(places)]


def _gap(places: dict[int, Array], others: dict[int, Array]) -> float:
    return max(float(np.abs(places[joint] - others[joint]).max()) for joint in others)


def _near(got: Sequence[tuple], wanted: Sequence[tuple], frames: int) -> bool:
    """Whether rows are equal, but for numbers of frames at their ends."""
    return len(got) == len(wanted) and all(
        len(a) == len(b)
        and all(
            abs(x - y) <= frames if isinstance(x, int) and not isinstance(x, bool) else x == y
            for x, y in zip(a, b, strict=True)
        )
        for a, b in zip(got, wanted, strict=True)
    )
