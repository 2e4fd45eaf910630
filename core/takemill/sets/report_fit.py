"""How a clip stands on its character, in the report: a row for feet, legs, arms, and what it lacks."""

from __future__ import annotations

from collections.abc import Iterator

from ..base.plain import html_text
from ..clip.seam_quality import in_words
from .clip_facts import Facts
from .fit_quality import judge

_SHADES = {"good": "good", "fair": "", "poor": "bad", "bad": "bad"}
_SEEN_MM = 0.5  # less is said as none: half of what the row shows


def fit_rows(clip: Facts) -> Iterator[tuple[str, str]]:
    """The rows of a clip's fit; none for a set on the performer's own skeleton."""
    if clip["fit_quality"] is not None:
        yield "fit", _shade(clip["fit_quality"], clip["fit_quality"])
    for part, foot in clip["soles"].items():
        theirs = clip["legs"] and clip["legs"]["performer_slides_cm_s"].get(part)
        yield in_words(part), _describe_foot(foot, clip["rate"], theirs)
    if clip["legs"]:
        yield "legs", _describe_legs(clip["legs"])
    if clip["goals"]:
        yield "hands and body", _describe_goals(clip["goals"])
    if clip["arms_in_body_mm"]:
        depth = clip["arms_in_body_mm"]
        cleared = _shade(judge("arms_mm", depth["after"]), f"cleared to {depth['after']:.0f} mm")
        yield "arms in the body", f"{depth['before']:.0f} mm deep, {cleared}"


def describe_lacks(character: Facts | None) -> str:
    """A paragraph on what a character lacks; "" where there is nothing to say."""
    if character is None:
        return ""
    said = []
    if not character["mesh"]:
        said.append("It has no mesh that hangs on its joints: soles are not judged.")
    if character["unmapped"]:
        parts = ", ".join(in_words(part) for part in character["unmapped"])
        said.append(f"The performer has {html_text(parts)}, the character does not: nothing moves them.")
    if character["constrained"]:
        bones = ", ".join(character["constrained"])
        said.append(f"Constraints or drivers move these of its bones too: {html_text(bones)}.")
    return f'<p class="soft">{" ".join(said)}</p>' if said else ""


def _shade(word: str | None, text: str) -> str:
    shade = _SHADES[word] if word else ""
    return f'<span class="{shade}">{text}</span>' if shade else text


def _describe_foot(foot: Facts, rate: float, theirs_cm_s: float | None) -> str:
    """A foot's slide beside the performer's own, and its sole."""
    words = []
    if foot["slide_cm_s"] is not None:
        text = f"slides at {foot['slide_cm_s']:.1f} cm/s"
        beside = "" if theirs_cm_s is None else f" (the performer's: {theirs_cm_s:.1f})"
        shaded = _shade(judge("slide_cm_s", foot["slide_cm_s"]), text)
        words.append(f"{shaded} in its worst contact{beside}")
    for key, where in (("under", "under"), ("over", "over")):
        depth = foot[f"{key}_mm"]
        if depth is not None and depth >= _SEEN_MM:
            at = foot[f"{key}_frame"] / rate
            text = f"{depth:.1f} mm {where} the floor"
            words.append(f"{_shade(judge('sole_mm', depth), text)} at {at:.2f} s")
    if len(words) < 2:
        words.append("the sole on the floor within 0.5 mm")
    return ", ".join(words)


def _describe_legs(legs: Facts) -> str:
    words = []
    if legs["straight_share"]:
        text = f"straighter than the performer's by up to {legs['straight_deg']:.0f}°"
        share = f" in {100 * legs['straight_share']:.0f} % of the frames"
        words.append(_shade(judge("straight_share", legs["straight_share"]), text) + share)
    if legs["lowered_share"]:
        share = f"in {100 * legs['lowered_share']:.0f} % of the frames"
        words.append(f"hips lowered by up to {legs['lowered_mm']:.0f} mm {share}")
    return "; ".join(words) or "they reach, and the hips are as high as the performer's"


def _describe_goals(goals: list[Facts]) -> str:
    """How near the contacts of hands and body are, and how hands on the floor slide."""
    missed = [one for one in goals if not one["reached"]]
    kept = [one["off_mm"] for one in goals if one["reached"]]
    words = [f"{len(kept)} of {len(goals)} contacts kept"]
    if kept:
        words[0] += f", at most {max(kept):.1f} mm off"
    words += [
        f'<span class="bad">{html_text(one["name"])}: {one["off_mm"]:.0f} mm off</span>' for one in missed
    ]
    slides = [one["slide_cm_s"] for one in goals if one["slide_cm_s"] is not None]
    if slides:
        words.append(_shade(judge("slide_cm_s", max(slides)), f"hands slide at up to {max(slides):.1f} cm/s"))
    return "; ".join(words)
