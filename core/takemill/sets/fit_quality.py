"""How a clip stands on its character, in a word, and in lines with a way out: the one judgement of it."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..clip.seam_quality import in_words
from ..fit.fit import FitSettings

WORDS = ("good", "fair", "poor", "bad")
"""From the best to the worst."""

LIMITS: Mapping[str, tuple[float, float, float]] = {
    "slide_cm_s": (2.0, 5.0, 12.0),
    "sole_mm": (3.0, 8.0, 20.0),
    "arms_mm": (5.0, 10.0, 30.0),
    "goal_mm": (10.0, 20.0, 50.0),
    "straight_share": (0.02, 0.1, 0.3),
}
"""Up to the first a value is good, up to the next fair, up to the last poor, else bad.

The first of each is what a fit aims at, but for slide: vertices of a foot that rolls off slip by 1 to 6 cm/s
in the demo, flat feet by 0.2. The others were chosen by eye.
"""

_AS_MUCH = 0.7  # of a foot's slide: a performer's that is so large explains it (chosen by eye)
_PIN = '[repair] profile = "suit" pins the feet of a take that slides'
_MAX_LINES = 5  # of a character: more are not read, and stand in the report (chosen by eye)


def judge(name: str, value: float | None) -> str | None:
    """The word for a value of LIMITS; None for None."""
    if value is None:
        return None
    return next((word for word, limit in zip(WORDS, LIMITS[name], strict=False) if value <= limit), WORDS[-1])


def judge_clip(clip: Mapping[str, Any]) -> str | None:
    """The worst word for all that the list says of a clip's fit; None where it says nothing."""
    words = [word for name, value in _values(clip) if (word := judge(name, value))]
    return max(words, key=WORDS.index, default=None)


def _values(clip: Mapping[str, Any]) -> Iterator[tuple[str, float | None]]:
    for foot in clip["soles"].values():
        yield "slide_cm_s", foot["slide_cm_s"]
        yield "sole_mm", foot["under_mm"]
        yield "sole_mm", foot["over_mm"]
    for goal in clip["goals"]:
        yield "goal_mm", goal["off_mm"]
        yield "slide_cm_s", goal["slide_cm_s"]
    if clip["arms_in_body_mm"]:
        yield "arms_mm", clip["arms_in_body_mm"]["after"]
    if clip["legs"]:
        yield "straight_share", clip["legs"]["straight_share"]


def fit_column(clip: Mapping[str, Any]) -> str:
    """A clip in a cell of a table: its worst slide and sole, and the word; "" where nothing was judged."""
    if clip["fit_quality"] is None:
        return ""
    slides = [one["slide_cm_s"] for one in clip["soles"].values() if one["slide_cm_s"] is not None]
    soles = [one[key] or 0.0 for one in clip["soles"].values() for key in ("under_mm", "over_mm")]
    said = [f"{max(slides):.1f} cm/s"] if slides else []
    said += [f"{max(soles):.0f} mm"] if soles else []
    return ", ".join([*said, clip["fit_quality"]])


def fit_lines(clips: Sequence[Mapping[str, Any]], who: str, fit: FitSettings) -> list[str]:
    """What to say of clips that are poor or bad on a character: a line each with a way out, the worst first.

    Contacts of hands that are missed are said of the take (`missed_goals`), not here.
    """
    found = []
    for clip in clips:
        faults = list(_faults(clip, fit))
        if faults:
            worst = max(WORDS.index(word) for word, _, _ in faults)
            said = "; ".join(dict.fromkeys(text for _, text, _ in faults))
            ways = "; ".join(dict.fromkeys(way for _, _, way in faults))
            found.append((-worst, f"{clip['name']} on {who} ({WORDS[worst]}): {said}; {ways}"))
    found.sort(key=lambda one: one[0])
    lines = [line for _, line in found[:_MAX_LINES]]
    if len(found) > _MAX_LINES:
        lines.append(f"{len(found) - _MAX_LINES} more clips on {who} are poor or bad: see report.html")
    return lines


def _faults(clip: Mapping[str, Any], fit: FitSettings) -> Iterator[tuple[str, str, str]]:
    """The word, what is wrong, and a way out, of each value that is poor or bad."""
    rate, slides = clip["rate"], "look whether the performer slides there too, side by side in the report"
    plant = slides if fit.plant_feet else "set [fit] plant_feet = true"
    for part, foot in clip["soles"].items():
        name = in_words(part)
        for key, where in (("under_mm", "under"), ("over_mm", "over")):
            if (word := _is_bad("sole_mm", foot[key])) is not None:
                at = foot[key.replace("_mm", "_frame")] / rate
                text = f"the sole of the {name} is {foot[key]:.0f} mm {where} the floor at {at:.2f} s"
                way = (
                    "see that foot and toes are mapped, and by `takemill check` that the take's floor lies "
                    "at height 0 (else say [fit] floor_m); or move the foot there on a layer of its own"
                )
                yield word, text, way if fit.plant_feet else plant
        if (word := _is_bad("slide_cm_s", foot["slide_cm_s"])) is not None:
            at = foot["slide_frame"] / rate
            text = f"the {name} slides at {foot['slide_cm_s']:.0f} cm/s from {at:.2f} s on"
            theirs = clip["legs"]["performer_slides_cm_s"].get(part) if clip["legs"] else None
            if fit.plant_feet and theirs and theirs > _AS_MUCH * foot["slide_cm_s"]:
                yield word, f"{text}, as the performer's does", _PIN
            else:
                yield word, text, plant
    for goal in clip["goals"]:
        if (word := _is_bad("slide_cm_s", goal["slide_cm_s"])) is not None:
            yield word, f"{goal['name']} slides at {goal['slide_cm_s']:.0f} cm/s", slides
    arms = clip["arms_in_body_mm"]
    if arms and (word := _is_bad("arms_mm", arms["after"])) is not None:
        way = "a higher [fit] arm_clearance_deg holds arms further out"
        if clip["goals"]:
            way = "leave out the contact that holds the hand there, by its name in [fit] without_goals"
        yield word, f"an arm is {arms['after']:.0f} mm deep in the body", way
    legs = clip["legs"]
    if legs and (word := _is_bad("straight_share", legs["straight_share"])) is not None:
        text = (
            f"a leg is straighter than the performer's in {100 * legs['straight_share']:.0f} % of the frames"
        )
        yield word, text, "a lower [fit] path_scale makes shorter steps"


def _is_bad(name: str, value: float | None) -> str | None:
    """The word of a value that is poor or bad."""
    word = judge(name, value)
    return word if word in WORDS[2:] else None
