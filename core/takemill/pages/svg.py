"""Small drawings as SVG: top views of paths, curves and bars over time. They hold no text and may stretch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from itertools import pairwise

import numpy as np

from ..base.checks import Array, Index

_WIDTH, _HEIGHT = 1000, 100  # of drawings over time, in their own units
_MAX_POINTS = 400  # of a curve: more than a page shows apart (chosen by eye)


def draw_top_view(track: Array, prints: Sequence[tuple[str, Array]], ahead: Array) -> str:
    """A path over the floor, with the direction ahead pointing up.

    Args:
        track: (F, 2) metres.
        prints: footprints: a style class, and heel and toe (2, 2), metres.
        ahead: (2,) direction at the end, of unit length.
    """
    points = np.concatenate([track, *(foot for _, foot in prints)])
    low, high = _on_page(points).min(axis=0), _on_page(points).max(axis=0)
    middle, size = (low + high) / 2, np.maximum(high - low, 0.6) + 0.4
    left, top = left_top = middle - size / 2
    step = next((step for step in (0.25, 0.5, 1.0, 2.0, 5.0) if max(size) / step <= 16), 10.0)
    lines = [f"M{_n(x)} {_n(top)}v{_n(size[1])}" for x in _multiples(left, left + size[0], step)] + [
        f"M{_n(left)} {_n(y)}h{_n(size[0])}" for y in _multiples(top, top + size[1], step)
    ]
    feet = "".join(
        f'<path class="thin {style}" stroke-linecap="round" style="stroke-width:6" '
        f'opacity=".55" d="{_line(_on_page(foot))}"/>'
        for style, foot in prints
    )
    end = _on_page(track)[-1]
    tip = end + 0.22 * _on_page(np.asarray(ahead))
    box = " ".join(map(_n, (*left_top, *size)))
    return (
        f'<svg viewBox="{box}" data-step="{step:g}" aria-hidden="true">'
        f'<path class="grid" d="{"".join(lines)}"/>{feet}'
        f'<path class="way" d="{_line(_on_page(_thin(track)))}"/>'
        f'<path class="way" style="stroke-width:4" stroke-linecap="round" d="{_line(np.stack([end, tip]))}"/>'
        f'<circle class="ink" r="{_n(0.02 * max(size))}" cx="{_n(end[0])}" cy="{_n(end[1])}"/></svg>'
    )


def grid_step(drawing: str) -> str:
    """Metres between the grid lines of a top view."""
    return drawing.split('data-step="')[1].split('"')[0]


def draw_side_view(lines: Sequence[tuple[str, Array]], paths: Sequence[tuple[str, Array]]) -> str:
    """A figure seen from the side: lines (2, 2) and paths (N, 2), metres ahead and up, with style classes.

    The paths are dotted at each of their points; y points up.
    """
    points = np.concatenate([values for _, values in (*lines, *paths)]) * [1.0, -1.0]
    low, high = np.minimum(points.min(axis=0), [0, 0]), np.maximum(points.max(axis=0), [0, 0])
    size = high - low + 0.2
    left, top = low - 0.1
    limbs = "".join(f'<path class="thin {style}" d="{_line(ends * [1, -1])}"/>' for style, ends in lines)
    dots = "".join(
        f'<path class="thin s{style[0]}" opacity=".5" d="{_line(path * [1, -1])}"/>'
        + "".join(
            f'<circle class="f{style[0]}" r="{_n(0.006 * size[1])}" cx="{_n(x)}" cy="{_n(-y)}"/>'
            for x, y in path
        )
        for style, path in paths
    )
    box = " ".join(map(_n, (left, top, *size)))
    floor = f'<path class="grid" d="M{_n(left)} 0h{_n(size[0])}"/>'
    return f'<svg viewBox="{box}" aria-hidden="true">{floor}{limbs}{dots}</svg>'


def draw_curves(series: Iterable[tuple[str, Array]], top: float, middle: bool = False) -> str:
    """Curves (F,) from 0 to `top`, each with a style class, one above the other in one drawing.

    `middle` draws a line where half of the time is over.
    """
    paths = [f'<path class="grid" d="M{_WIDTH // 2} 0v{_HEIGHT}"/>'] if middle else []
    for style, values in series:
        values = _thin(values)
        x = np.linspace(0, _WIDTH, len(values))
        y = _HEIGHT * (1 - 0.94 * np.clip(values / top, -0.03, 1))
        paths.append(f'<path class="thin {style}" d="{_line(np.stack([x, y], axis=-1))}"/>')
    base = f'<path class="grid" d="M0 {_HEIGHT}h{_WIDTH}"/>'
    return _over_time("curve", base + "".join(paths))


def draw_traces(
    series: Iterable[tuple[str, Array]],
    low: float,
    high: float,
    shaded: Iterable[tuple[str, float, float]] = (),
    lines: Iterable[float] = (),
) -> str:
    """Curves (F,) between two values, over shaded stretches; thinning keeps every peak.

    Args:
        series: style classes and curves, one above the other.
        low: value at the bottom.
        high: value at the top.
        shaded: style class, start and stop as parts of the whole, 0 to 1.
        lines: values at which a line goes across.
    """

    def level(values: Array) -> Array:
        return _HEIGHT * (0.97 - 0.94 * (values - low) / max(high - low, 1e-9))

    under = "".join(
        f'<rect class="{style}" x="{_n(_WIDTH * start, 1)}" y="0" height="{_HEIGHT}" '
        f'width="{_n(max(_WIDTH * (stop - start), 1.5), 1)}"/>'
        for style, start, stop in shaded
    )
    across = "".join(f"M0 {_n(float(level(np.asarray(at))), 1)}h{_WIDTH}" for at in lines)
    paths = []
    for style, values in series:
        picks = _peaks(values)
        x = _WIDTH * picks / max(len(values) - 1, 1)
        paths.append(
            f'<path class="thin {style}" d="{_line(np.stack([x, level(values[picks])], axis=-1), 1)}"/>'
        )
    grid = f'<path class="grid" d="{across}"/>' if across else ""
    return _over_time("curve", under + grid + "".join(paths))


_DOT_SHARES = np.array(
    [0.005, 0.012]
)  # of the width and the height: what limits a drawing's scale on the page


def draw_paths(paths: Sequence[tuple[str, Array]]) -> str:
    """Paths (F, 2) over the floor, metres, each with a style class; the long side lies across the page.

    Their starts are dotted.
    """
    extent = np.ptp(np.concatenate([path for _, path in paths]), axis=0)
    if extent[1] > extent[0]:
        paths = [(style, np.stack([path[:, 1], -path[:, 0]], axis=-1)) for style, path in paths]
    points = _on_page(np.concatenate([path for _, path in paths]))
    low, high = points.min(axis=0), points.max(axis=0)
    size = np.maximum(high - low, 0.6) + 0.4
    left, top = left_top = (low + high) / 2 - size / 2
    step = next((step for step in (0.25, 0.5, 1.0, 2.0, 5.0) if max(size) / step <= 16), 10.0)
    grid = [f"M{_n(x)} {_n(top)}v{_n(size[1])}" for x in _multiples(left, left + size[0], step)]
    grid += [f"M{_n(left)} {_n(y)}h{_n(size[0])}" for y in _multiples(top, top + size[1], step)]
    drawn = ""
    for style, path in paths:
        drawn += f'<path class="thin {style}" d="{_line(_on_page(_thin(path)))}"/>'
        x, y = _on_page(path)[0]
        drawn += f'<circle class="ink" r="{_n(max(_DOT_SHARES * size))}" cx="{_n(x)}" cy="{_n(y)}"/>'
    box = " ".join(map(_n, (*left_top, *size)))
    return (
        f'<svg viewBox="{box}" data-step="{step:g}" aria-hidden="true">'
        f'<path class="grid" d="{"".join(grid)}"/>{drawn}</svg>'
    )


def draw_bars(ranges: Iterable[tuple[str, float, float]], kind: str = "lane") -> str:
    """Bars: style class, start and stop as parts of the whole, 0 to 1; none is too thin to be seen."""
    return _over_time(
        kind,
        "".join(
            f'<rect class="{style}" x="{_n(_WIDTH * start, 1)}" y="12" height="76" '
            f'width="{_n(max(_WIDTH * (stop - start), 2), 1)}"/>'
            for style, start, stop in ranges
        ),
    )


def draw_ticks(moments: Iterable[float]) -> str:
    """Lines at moments, as parts of the whole, 0 to 1."""
    lines = "".join(f"M{_n(4 + (_WIDTH - 8) * moment, 1)} 5v90" for moment in moments)
    return _over_time("lane", f'<path class="thin so" d="{lines}"/>')


def _over_time(kind: str, inner: str) -> str:
    return (
        f'<svg class="{kind}" viewBox="0 0 {_WIDTH} {_HEIGHT}" preserveAspectRatio="none" aria-hidden="true">'
        f"{inner}</svg>"
    )


def _on_page(points: Array) -> Array:
    """Floor points (..., 2), metres, on a page whose top is -Y, where a body of heading 0 looks."""
    return points * [-1.0, 1.0]


def _thin(values: Array) -> Array:
    if len(values) <= _MAX_POINTS:
        return values
    return values[np.round(np.linspace(0, len(values) - 1, _MAX_POINTS)).astype(np.intp)]


def _peaks(values: Array) -> Index:
    """Frames (N,) that draw a long curve: the lowest and the highest of each short stretch, and the ends."""
    if len(values) <= 2 * _MAX_POINTS:
        return np.arange(len(values))
    edges = np.linspace(0, len(values), _MAX_POINTS + 1).astype(np.intp)
    pieces = [values[start:stop] for start, stop in pairwise(edges)]
    picks = [e + np.sort([piece.argmin(), piece.argmax()]) for e, piece in zip(edges, pieces, strict=False)]
    return np.unique(np.concatenate([[0], *picks, [len(values) - 1]]))


def _multiples(low: float, high: float, step: float) -> Array:
    return step * np.arange(np.ceil(low / step), np.floor(high / step) + 1)


def _line(points: Array, digits: int = 3) -> str:
    return "M" + "L".join(f"{_n(x, digits)} {_n(y, digits)}" for x, y in points.tolist())


def _n(value: float, digits: int = 3) -> str:
    text = f"{value:.{digits}f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text
