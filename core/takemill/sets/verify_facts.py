"""What a list says of its clips: whether it agrees with itself, and with what is made again of the takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from ..clip.measure import PoseGap
from ..clip.seam_quality import REFUSED, judge_seam
from .idle_facts import idle_problems

_MAX_TIME_OFF_S = 2e-6  # float32 seconds, and seconds rounded to a microsecond
# What rounding to 4 or 5 decimals (clip_facts.py) may leave of a sum or a quotient.
_MAX_OFF_M, _MAX_OFF_DEG = 2e-4, 2e-3
_MAX_OFF_CM = 0.01  # what rounding may leave of a gap and a twentieth of a speed
_MAX_STRIDE_SHARE = 1e-3  # of a number: what rounding the count of strides may leave of a stride
# Numbers that are made again: rounded to 2-6 decimals, in cm, degrees or metres.
_MAX_DIFFERENCE, _MAX_DIFFERENCE_SHARE = 2e-3, 1e-4
_MAX_LISTED = 5  # differences of a clip: more of them say nothing new


def take_problems(said: Mapping[str, Any]) -> Iterator[str]:
    """Whether takes and gaps agree with the clips."""
    for take in said["takes"]:
        if abs(take["duration_s"] - (take["frames"] - 1) / take["rate"]) > _MAX_TIME_OFF_S:
            yield f"take {take['name']!r}: its frames at its rate do not last what the list says"
    gaps = said["gaps"]
    if gaps is None:
        return
    names = [clip["name"] for clip in said["clips"] if not clip["additive"]]
    if gaps["clips"] != names:
        yield "the gaps are not those between the clips"
    for unit in ("cm", "deg", "cm_s", "worst"):
        rows = gaps[unit]
        empty = unit == "worst" and not rows
        if not empty and [len(row) for row in rows] != [len(names)] * len(names):
            yield f"the gaps in {unit} are not a square of {len(names)} clips"


def clip_problems(
    clip: Mapping[str, Any], said: Mapping[str, Any], keys: Sequence[int], nodes: int
) -> Iterator[str]:
    """Whether a clip's entry agrees with itself, with its take, and with the file.

    There the channels hold so many `keys` each; a lone key of one of the `nodes` may be left out, as it says
    what the rest pose says, or be added to say what that does not.
    """
    yield from _time_problems(clip)
    yield from _path_problems(clip)
    least = sum(count for count in keys if count > 1)
    if not least <= clip["keys"]["count"] <= least + 2 * nodes:
        yield f"its file holds {sum(keys)} keys, the list says {clip['keys']['count']}"
    source, (start, stop) = clip["source"], clip["source"]["frames"]
    take = next((take for take in said["takes"] if take["name"] == source["take"]), None)
    if not start < stop or (take and stop > take["frames"]):
        yield f"frames {start} to {stop} are not in the take it comes from"
    if take and source["sha256"] not in (take["sha256"], None):
        yield f"the take {take['name']!r} that it comes from has another digest"
    variant = clip["variant"]
    if clip["additive"] != bool(variant and variant["additive_to"]):
        yield "whether it is additive is said in two ways"
    yield from _seam_problems(clip)
    yield from idle_problems(clip)
    if clip["blend_frames"] > clip["frames"]:
        yield "its ends are blended for longer than it lasts"


def _seam_problems(clip: Mapping[str, Any]) -> Iterator[str]:
    """Whether a loop's seam is bad, by its numbers, or called by another word than they say."""
    seam = clip["seam"]
    if seam is None:
        return
    cm, cm_s = seam["gap_cm"], seam["gap_cm_s"]
    words = [judge_seam(PoseGap(cm + off, 0.0, cm_s)) for off in (-_MAX_OFF_CM, _MAX_OFF_CM)]
    if seam["quality"] not in words:
        yield f"its seam is called {seam['quality']}, and is {words[0]}"
    if clip["loop"] and words[0] in REFUSED:
        yield f"its seam is {words[0]}: {cm:g} cm and {cm_s:g} cm/s; choose another range"


def _time_problems(clip: Mapping[str, Any]) -> Iterator[str]:
    last = clip["frames"] - 1
    if abs(clip["duration_s"] - last / clip["rate"]) > _MAX_TIME_OFF_S:
        yield f"{clip['frames']} frames at {clip['rate']:g} per second do not last {clip['duration_s']:.6f} s"
    for event in clip["events"]:
        off = abs(event["time_s"] - event["frame"] / clip["rate"]) > _MAX_TIME_OFF_S
        if (
            event["frame"] > last
            or off
            or abs(event["phase"] - event["frame"] / max(last, 1)) > _MAX_TIME_OFF_S
        ):
            yield f"event {event['name']!r} lies at no frame of it"
    for foot, ranges in clip["contacts"].items():
        if any(not 0 <= start < stop <= clip["frames"] for start, stop in ranges):
            yield f"a contact of {foot} leaves it"
        if clip["floors_m"] is not None and len(clip["floors_m"].get(foot, ())) != len(ranges):
            yield f"the floors of {foot} are not as many as its contacts"
    times = [time for time, *_ in clip["gait"] or ()]
    if times != sorted(set(times)) or (
        times and not -_MAX_TIME_OFF_S <= times[0] <= times[-1] <= clip["duration_s"] + _MAX_TIME_OFF_S
    ):
        yield "the times of its gait are not in order within it"


def _path_problems(clip: Mapping[str, Any]) -> Iterator[str]:
    root_motion, seconds = clip["root_motion"], clip["duration_s"]
    left, _, ahead = root_motion["offset_m"]
    straight = math.hypot(left, ahead)
    if abs(straight - root_motion["distance_m"]) > _MAX_OFF_M:
        said = f"{root_motion['distance_m']:g} m"
        yield f"the list says that it goes {said}, and to a place {straight:.4f} m away"
    if root_motion["path_m"] < root_motion["distance_m"] - _MAX_OFF_M:
        yield "its path is shorter than a straight line"
    if seconds and abs(root_motion["speed_m_s"] - root_motion["distance_m"] / seconds) > _MAX_OFF_M * (
        1 + 1 / seconds
    ):
        speed = f"{root_motion['speed_m_s']:g} m a second"
        yield f"{root_motion['distance_m']:g} m in {seconds:g} s are not {speed}"
    cycle = root_motion["cycle"]
    for name, whole, least in (
        ("duration_s", seconds, _MAX_OFF_M),
        ("distance_m", root_motion["distance_m"], _MAX_OFF_M),
        ("turn_deg", root_motion["turn_deg"], _MAX_OFF_DEG),
    ):
        if cycle and abs(cycle[name] * cycle["count"] - whole) > _MAX_STRIDE_SHARE * abs(whole) + least * (
            1 + cycle["count"]
        ):
            yield f"{cycle['count']:g} strides of {cycle[name]:g} ({name}) do not make {whole:g}"


def find_differences(said: Any, again: Any, place: str = "") -> Iterator[str]:
    """Where a list differs from what was made again; numbers may differ by what rounding leaves."""
    if isinstance(again, Mapping) and isinstance(said, Mapping):
        for key in again:
            below = f"{place}.{key}".lstrip(".")
            if key in said:
                yield from find_differences(said[key], again[key], below)
            else:
                yield f"{below} is missing"
    elif _is_list(again) and _is_list(said):
        if len(again) != len(said):
            yield f"{place} has {len(said)} entries, made again {len(again)}"
        else:
            for k, (one, other) in enumerate(zip(said, again, strict=True)):
                yield from find_differences(one, other, f"{place}[{k}]")
    elif _is_number(again) and _is_number(said):
        if abs(said - again) > _MAX_DIFFERENCE + _MAX_DIFFERENCE_SHARE * abs(again):
            yield f"{place} is {said:g}, made again {again:g}"
    elif said != again:
        yield f"{place} is {_shorten(said)}, made again {_shorten(again)}"


def first_differences(said: Any, again: Any) -> list[str]:
    """A few of `find_differences`, and how many more there are."""
    found = list(find_differences(said, again))
    more = [f"and {len(found) - _MAX_LISTED} more differences"] if len(found) > _MAX_LISTED else []
    return found[:_MAX_LISTED] + more


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shorten(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
