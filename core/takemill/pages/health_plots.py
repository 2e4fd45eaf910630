"""Figures about a take's health: raw and repaired joints, feet over the floor, the path from the top."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np

from ..base.checks import Array, Mask
from ..base.plain import html_text
from ..body.body_map import BodyMap
from ..body.motion import Motion
from ..body.posed import joint_in_model
from ..feet.contacts import find_contacts
from ..feet.soles import foot_points
from ..health.check import Finding, Health
from ..maths import quat
from . import svg

_MAX_SHOWN_JOINTS = 4  # more figures are not looked at (chosen by eye)
_CLOSE_UP_S = 0.6  # around the worst finding, to either side (chosen by eye)
_SHADED = ("spike", "frozen")
_FLAGS = (
    '<span class="key" style="--swatch: var(--bad)">spike</span>'
    '<span class="key" style="--swatch: var(--other)">frozen</span>'
)
_LEGEND = (
    '<span class="key" style="--swatch: var(--raw)">raw</span>'
    '<span class="key" style="--swatch: var(--repaired)">repaired</span>'
)


def worst_joints(raw: Motion, repaired: Motion, body: BodyMap, before: Health) -> tuple[int, ...]:
    """The joints that the repair turned most, worst first; drift of the whole body is no joint's fault."""
    whole = {joint for part in ("root", "hips") if (joint := body.get(part)) is not None} | {0}
    flagged = {one.joint for one in before.findings if one.kind in _SHADED}
    turned = np.array(
        [
            float(np.sqrt(np.mean(quat.angle_between(raw.rotations[:, j], repaired.rotations[:, j]) ** 2)))
            if j not in whole or name in flagged
            else 0.0
            for j, name in enumerate(raw.skeleton.names)
        ]
    )
    order = np.argsort(-turned, kind="stable")[:_MAX_SHOWN_JOINTS]
    return tuple(int(j) for j in order if turned[j] > np.radians(0.01))


def joint_figure(raw: Motion, repaired: Motion, before: Health, joint: int) -> str:
    """One joint's turn, raw and repaired, over the take and from close by at its worst finding."""
    name = raw.skeleton.names[joint]
    curves = turn_deg(raw.rotations[:, joint], repaired.rotations[:, joint])
    found = [one for one in before.findings if one.joint == name and one.kind in _SHADED]
    counts = Counter(one.kind for one in found)
    worst = max(found, key=lambda one: one.amount, default=None)
    off = np.abs(curves[0] - curves[1])
    middle = (worst.start + worst.stop) // 2 if worst else int(off.argmax())
    reach = max(min(round(_CLOSE_UP_S * raw.rate), len(raw) // 6), 8)
    first, last = max(middle - reach, 0), min(middle + reach + 1, len(raw))
    about = html_text(worst.message) if worst else f"where the repair turned it most, {off.max():.1f} degrees"
    return (
        f"<figure><h4>{html_text(name)}: spikes {counts['spike']}, freezes {counts['frozen']}; degrees about "
        "its main axis</h4>"
        f'<div class="close"><div>{_trace(curves, found, 0, len(raw), raw.rate)}</div>'
        f"<div>{_trace(curves, found, first, last, raw.rate)}</div></div>"
        f"<figcaption>From close by: {about}. {_LEGEND}{_FLAGS}</figcaption></figure>"
    )


def turn_deg(raw: Array, repaired: Array) -> tuple[Array, Array]:
    """Degrees (F,) that rotations (F, 4) are turned from their middle, about the axis of most turning."""
    middle = quat.normalize(np.median(quat.continuous(repaired), axis=0))
    both = [quat.log(quat.mul(quat.inv(middle), rotations)) for rotations in (raw, repaired)]
    spread = np.concatenate([vectors - both[1].mean(axis=0) for vectors in both])
    axis = np.linalg.svd(spread, full_matrices=False)[2][0]
    axis = axis * np.sign(axis[np.argmax(np.abs(axis))])
    first, second = (np.unwrap(np.degrees(vectors @ axis), period=360) for vectors in both)
    return first, second


def _trace(curves: Sequence[Array], found: Sequence[Finding], first: int, last: int, rate: float) -> str:
    """Curves (F,) of raw and repaired values in frames [first, last), flagged frames shaded, with scales."""
    parts = [curve[first:last] for curve in curves]
    low, high = (
        float(limit(part for part in map(bound, parts))) for limit, bound in ((min, np.min), (max, np.max))
    )
    high = max(high, low + 0.1)
    span = max(last - 1 - first, 1)
    shaded = [
        (
            f"spot k-{one.kind}",
            max(one.start - first - 0.5, 0) / span,
            min(one.stop - first - 0.5, span) / span,
        )
        for one in found
        if one.stop > first and one.start < last
    ]
    drawing = svg.draw_traces(zip(("raw", "new"), parts, strict=True), low, high, shaded)
    scale = _scale(high, low, 1)
    return f'<div class="trace">{scale}{drawing}{_seconds(first, last, rate)}</div>'


def _scale(high: float, low: float, digits: int) -> str:
    ends = (f"{round(end, digits) + 0.0:.{digits}f}" for end in (high, low))  # no minus before a nought
    return f'<span class="scale">{"".join(f"<span>{end}</span>" for end in ends)}</span>'


def _seconds(first: int, last: int, rate: float) -> str:
    ends = "".join(f"<span>{frame / rate:.2f} s</span>" for frame in (first, last - 1))
    return f'<span></span><span class="axis">{ends}</span>'


def feet_figure(raw: Motion, repaired: Motion, body: BodyMap) -> str:
    """Height of each foot's lowest point, raw and repaired, and when its heel and toes are planted."""
    if not body.feet:
        return ""
    heights = [1000 * foot_points(one, body)[..., 2] for one in (raw, repaired)]  # (F, K, 2) mm
    contacts = find_contacts(repaired, body)
    out = ""
    for k, foot in enumerate(body.feet):
        lowest = [height[:, k].min(axis=-1) for height in heights]
        low, high = min(float(h.min()) for h in lowest), max(float(h.max()) for h in lowest)
        high = max(high, low + 1)
        drawing = svg.draw_traces(zip(("raw", "new"), lowest, strict=True), low, high, (), (0.0,))
        lanes = "".join(
            f'<span class="name">{word}</span>{svg.draw_bars(_lanes(mask[:, k]))}'
            for word, mask in (("heel", contacts.heel), ("toes", contacts.toe))
        )
        name = html_text(raw.skeleton.names[body.require(foot)])
        out += (
            f"<figure><h4>{name}: height of the sole in mm, and when it is planted</h4>"
            f'<div class="trace">{_scale(high, low, 0)}{drawing}{lanes}'
            f"{_seconds(0, len(raw), raw.rate)}</div></figure>"
        )
    keys = f'{_LEGEND}<span class="key" style="--swatch: var(--reed)">planted</span>'
    return f'<h3>Feet over the floor</h3>{out}<p class="soft">The line is height 0. {keys}</p>'


def _lanes(planted: Mask) -> Iterator[tuple[str, float, float]]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], planted.astype(np.int8), [0]])))
    for start, stop in edges.reshape(-1, 2).tolist():
        yield "down", start / len(planted), stop / len(planted)


def path_figure(raw: Motion, repaired: Motion, body: BodyMap) -> str:
    """The way of the hips over the floor, raw and repaired."""
    paths = [joint_in_model(one, body.require("hips"))[1][:, :2] for one in (raw, repaired)]
    drawing = svg.draw_paths(list(zip(("raw", "new"), paths, strict=True)))
    ends = [path[-1] - path[0] for path in paths]
    end = 100 * float(np.linalg.norm(ends[0] - ends[1]))
    caption = (
        f"Grid of {svg.grid_step(drawing)} m, dots at the starts; the repair moved the end by {end:.0f} cm."
    )
    return (
        f'<h3>Top view: the path of the hips</h3><figure class="above">{drawing}'
        f"<figcaption>{caption} {_LEGEND}</figcaption></figure>"
    )
