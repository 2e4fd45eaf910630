"""What a list says of its clips: whether it agrees with itself, and with what is made again of the takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

_TIME_S = 2e-6  # float32 seconds, and seconds rounded to a microsecond
_METRES, _DEGREES = 2e-4, 2e-3  # what rounding may leave of a sum or a quotient
_SHARE = 1e-3  # of a number: what rounding the count of strides may leave of a stride
# Numbers that are made again: rounded to 2-6 decimals, in cm, degrees or metres.
_SAME, _SAME_SHARE = 2e-3, 1e-4
_MOST_TOLD = 5  # differences of a clip


def takes_agree(said: Mapping[str, Any]) -> Iterator[str]:
    """Whether takes and gaps agree with the clips."""
    for take in said["takes"]:
        if abs(take["duration_s"] - (take["frames"] - 1) / take["rate"]) > _TIME_S:
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


def clip_agrees(
    clip: Mapping[str, Any], said: Mapping[str, Any], keys: Sequence[int], nodes: int
) -> Iterator[str]:
    """Whether a clip's entry agrees with itself, with its take, and with the file.

    There the channels hold so many `keys` each; a lone key of one of the `nodes` may be left out, as it says
    what the rest pose says, or be added to say what that does not.
    """
    yield from _times_agree(clip)
    yield from _way_agrees(clip)
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
    if clip["blend_frames"] > clip["frames"]:
        yield "its ends are blended for longer than it lasts"


def _times_agree(clip: Mapping[str, Any]) -> Iterator[str]:
    last = clip["frames"] - 1
    if abs(clip["duration_s"] - last / clip["rate"]) > _TIME_S:
        yield f"{clip['frames']} frames at {clip['rate']:g} per second do not last {clip['duration_s']:.6f} s"
    for event in clip["events"]:
        off = abs(event["time_s"] - event["frame"] / clip["rate"]) > _TIME_S
        if event["frame"] > last or off or abs(event["phase"] - event["frame"] / max(last, 1)) > _TIME_S:
            yield f"event {event['name']!r} lies at no frame of it"
    for foot, ranges in clip["contacts"].items():
        if any(not 0 <= start < stop <= clip["frames"] for start, stop in ranges):
            yield f"a contact of {foot} leaves it"
    times = [time for time, *_ in clip["gait"] or ()]
    if times != sorted(set(times)) or (
        times and not -_TIME_S <= times[0] <= times[-1] <= clip["duration_s"] + _TIME_S
    ):
        yield "the times of its gait are not in order within it"


def _way_agrees(clip: Mapping[str, Any]) -> Iterator[str]:
    way, seconds = clip["root_motion"], clip["duration_s"]
    left, _, ahead = way["offset_m"]
    straight = math.hypot(left, ahead)
    if abs(straight - way["distance_m"]) > _METRES:
        yield f"the list says that it goes {way['distance_m']:g} m, and to a place {straight:.4f} m away"
    if way["path_m"] < way["distance_m"] - _METRES:
        yield "its path is shorter than the straight way"
    if seconds and abs(way["speed_m_s"] - way["distance_m"] / seconds) > _METRES * (1 + 1 / seconds):
        yield f"{way['distance_m']:g} m in {seconds:g} s are not {way['speed_m_s']:g} m a second"
    cycle = way["cycle"]
    for name, whole, least in (
        ("duration_s", seconds, _METRES),
        ("distance_m", way["distance_m"], _METRES),
        ("turn_deg", way["turn_deg"], _DEGREES),
    ):
        if cycle and abs(cycle[name] * cycle["count"] - whole) > _SHARE * abs(whole) + least * (
            1 + cycle["count"]
        ):
            yield f"{cycle['count']:g} strides of {cycle[name]:g} ({name}) do not make {whole:g}"


def differences(said: Any, made: Any, place: str = "") -> Iterator[str]:
    """Where a list differs from what was made again; numbers may differ by what rounding leaves."""
    if isinstance(made, Mapping) and isinstance(said, Mapping):
        for key in made:
            below = f"{place}.{key}".lstrip(".")
            if key in said:
                yield from differences(said[key], made[key], below)
            else:
                yield f"{below} is missing"
    elif _is_list(made) and _is_list(said):
        if len(made) != len(said):
            yield f"{place} has {len(said)} entries, made again {len(made)}"
        else:
            for k, (one, other) in enumerate(zip(said, made, strict=True)):
                yield from differences(one, other, f"{place}[{k}]")
    elif _is_number(made) and _is_number(said):
        if abs(said - made) > _SAME + _SAME_SHARE * abs(made):
            yield f"{place} is {said:g}, made again {made:g}"
    elif said != made:
        yield f"{place} is {_shown(said)}, made again {_shown(made)}"


def first_differences(said: Any, made: Any) -> list[str]:
    """A few of `differences`, and how many more there are."""
    found = list(differences(said, made))
    more = [f"and {len(found) - _MOST_TOLD} more differences"] if len(found) > _MOST_TOLD else []
    return found[:_MOST_TOLD] + more


def _is_list(value: Any) -> bool:
    return isinstance(value, Sequence) and not isinstance(value, str)


def _is_number(value: Any) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool)


def _shown(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 40 else text[:37] + "..."
