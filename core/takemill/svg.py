"""Small drawings as SVG: a way from above, curves and bars over time. They hold no text and may stretch."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import numpy as np

from .checks import Array

_WIDTH, _HEIGHT = 1000, 100  # of drawings over time, in their own units
_POINTS = 400  # of a curve


def from_above(track: Array, prints: Sequence[tuple[str, Array]], ahead: Array) -> str:
    """A way over the floor, ahead up, its own start at the bottom or wherever it leads.

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
        f'<path class="way" d="{_line(_on_page(_thinned(track)))}"/>'
        f'<path class="way" style="stroke-width:4" stroke-linecap="round" d="{_line(np.stack([end, tip]))}"/>'
        f'<circle class="ink" r="{_n(0.02 * max(size))}" cx="{_n(end[0])}" cy="{_n(end[1])}"/></svg>'
    )


def grid_step(drawing: str) -> str:
    """Metres between the grid lines of a drawing from above."""
    return drawing.split('data-step="')[1].split('"')[0]


def from_the_side(lines: Sequence[tuple[str, Array]], ways: Sequence[tuple[str, Array]]) -> str:
    """A figure seen from the side: lines (2, 2) and ways (N, 2), metres ahead and up, with style classes.

    The ways are dotted at each of their points; y points up.
    """
    points = np.concatenate([values for _, values in (*lines, *ways)]) * [1.0, -1.0]
    low, high = np.minimum(points.min(axis=0), [0, 0]), np.maximum(points.max(axis=0), [0, 0])
    size = high - low + 0.2
    left, top = low - 0.1
    limbs = "".join(f'<path class="thin {style}" d="{_line(ends * [1, -1])}"/>' for style, ends in lines)
    dots = "".join(
        f'<path class="thin s{style[0]}" opacity=".5" d="{_line(way * [1, -1])}"/>'
        + "".join(
            f'<circle class="f{style[0]}" r="{_n(0.006 * size[1])}" cx="{_n(x)}" cy="{_n(-y)}"/>'
            for x, y in way
        )
        for style, way in ways
    )
    box = " ".join(map(_n, (left, top, *size)))
    floor = f'<path class="grid" d="M{_n(left)} 0h{_n(size[0])}"/>'
    return f'<svg viewBox="{box}" aria-hidden="true">{floor}{limbs}{dots}</svg>'


def curves(series: Iterable[tuple[str, Array]], top: float, middle: bool = False) -> str:
    """Curves (F,) from 0 to `top`, each with a style class, one above the other in one drawing.

    `middle` draws a line where half of the time is over.
    """
    paths = [f'<path class="grid" d="M{_WIDTH // 2} 0v{_HEIGHT}"/>'] if middle else []
    for style, values in series:
        values = _thinned(values)
        x = np.linspace(0, _WIDTH, len(values))
        y = _HEIGHT * (1 - 0.94 * np.clip(values / top, -0.03, 1))
        paths.append(f'<path class="thin {style}" d="{_line(np.stack([x, y], axis=-1))}"/>')
    base = f'<path class="grid" d="M0 {_HEIGHT}h{_WIDTH}"/>'
    return _over_time("curve", base + "".join(paths))


def bars(ranges: Iterable[tuple[str, float, float]], kind: str = "lane") -> str:
    """Bars: style class, start and stop as parts of the whole, 0 to 1; none is too thin to be seen."""
    return _over_time(
        kind,
        "".join(
            f'<rect class="{style}" x="{_n(_WIDTH * start, 1)}" y="12" height="76" '
            f'width="{_n(max(_WIDTH * (stop - start), 2), 1)}"/>'
            for style, start, stop in ranges
        ),
    )


def ticks(moments: Iterable[float]) -> str:
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


def _thinned(values: Array) -> Array:
    if len(values) <= _POINTS:
        return values
    return values[np.round(np.linspace(0, len(values) - 1, _POINTS)).astype(np.intp)]


def _multiples(low: float, high: float, step: float) -> Array:
    return step * np.arange(np.ceil(low / step), np.floor(high / step) + 1)


def _line(points: Array) -> str:
    return "M" + "L".join(f"{_n(x)} {_n(y)}" for x, y in points)


def _n(value: float, digits: int = 3) -> str:
    return f"{round(float(value), digits) + 0.0:.{digits}f}".rstrip("0").rstrip(".")
