"""What overlays draw with: strokes of lines or faces, and labels; as plain arrays, until `gpu` takes them."""

from __future__ import annotations

from collections.abc import Hashable, Iterable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

import blf
import gpu
import numpy as np
from gpu_extras.batch import batch_for_shader
from mathutils import Matrix, Vector
from numpy.typing import ArrayLike, NDArray

Colour = tuple[float, float, float, float]
"""Red, green, blue and how opaque, 0 to 1, as the screen shows them."""

_TEXT_PX = 11.0  # as small as Blender's own text in a view, at a resolution scale of 1
_LINE_PX = 14.0  # from one line of it to the next
_BESIDE_PX = 6.0  # from a place to its label
_FONT = 0  # Blender's own
_OUTLINE = 6  # `blf.shadow` takes a blur of 0, 3 or 5 pixels, or 6 for an outline


@dataclass(frozen=True)
class Stroke:
    """Lines, or faces, of one width.

    Attributes:
        points: (N, 3) float32: two for each line, or three for each face.
        colours: (N, 4) float32, or (4,) for all.
        width_px: of lines at a resolution scale of 1; 0 for faces.
        space: "WORLD"; "ARMATURE", with the armature as it stands now; or "TAKE", where `Facts` have theirs.
        in_front: drawn over what lies before it.
    """

    points: NDArray[np.float32]
    colours: NDArray[np.float32]
    width_px: float
    space: str = "WORLD"
    in_front: bool = True


@dataclass(frozen=True)
class Label:
    """A line of text beside a place (3,) of a space."""

    text: str
    place: tuple[float, float, float]
    colour: Colour
    space: str = "WORLD"


def lines(points: ArrayLike, colours: ArrayLike, width_px: float, space: str = "WORLD") -> Stroke:
    """A stroke of lines (N, 2, 3), of one colour (4,) or one for each (N, 4)."""
    ends = np.ascontiguousarray(points, np.float32).reshape(-1, 3)
    return Stroke(ends, _each(colours, 2), width_px, space)


def path(points: ArrayLike, colour: ArrayLike, width_px: float, space: str = "WORLD") -> Stroke:
    """A stroke along points (N, 3)."""
    line = np.asarray(points, np.float32).reshape(-1, 3)
    return lines(np.stack([line[:-1], line[1:]], axis=1), colour, width_px, space)


def faces(points: ArrayLike, colours: ArrayLike, space: str = "WORLD") -> Stroke:
    """A stroke of triangles (N, 3, 3), of one colour (4,) or one for each (N, 4)."""
    corners = np.ascontiguousarray(points, np.float32).reshape(-1, 3)
    return Stroke(corners, _each(colours, 3), 0.0, space)


def _each(colours: ArrayLike, corners: int) -> NDArray[np.float32]:
    array = np.asarray(colours, np.float32)
    return array if array.ndim == 1 else np.repeat(array, corners, axis=0)


class Batches:
    """Strokes as `gpu` keeps them, made once and drawn often."""

    def __init__(self, strokes: Sequence[Stroke]) -> None:
        self._made = [_batch(one) for one in _joined(strokes)]

    def draw(self, places: dict[str, Matrix], scale: float) -> None:
        """Draw them all, with `places` from each space to the world."""
        size = gpu.state.viewport_get()[2:]
        gpu.state.blend_set("ALPHA")
        for stroke, shader, batch in self._made:
            gpu.state.depth_test_set("NONE" if stroke.in_front else "LESS_EQUAL")
            with gpu.matrix.push_pop():
                gpu.matrix.multiply_matrix(places[stroke.space])
                shader.bind()
                if stroke.width_px:
                    shader.uniform_float("viewportSize", size)
                    shader.uniform_float("lineWidth", stroke.width_px * scale)
                batch.draw(shader)
        gpu.state.depth_test_set("NONE")
        gpu.state.blend_set("NONE")


def _joined(strokes: Sequence[Stroke]) -> list[Stroke]:
    """Those that are drawn alike as one: a batch costs as much as hundreds of points."""
    alike: dict[Hashable, list[Stroke]] = {}
    for one in strokes:
        if len(one.points):
            alike.setdefault((one.width_px, one.space, one.in_front), []).append(one)
    return [some[0] if len(some) == 1 else _one_of(some) for some in alike.values()]


def _one_of(strokes: Sequence[Stroke]) -> Stroke:
    points = np.concatenate([one.points for one in strokes])
    colours = np.concatenate([np.broadcast_to(one.colours, (len(one.points), 4)) for one in strokes])
    return replace(strokes[0], points=points, colours=colours)


def _batch(stroke: Stroke) -> tuple[Stroke, Any, Any]:
    shader = gpu.shader.from_builtin("POLYLINE_FLAT_COLOR" if stroke.width_px else "FLAT_COLOR")
    colours = np.ascontiguousarray(np.broadcast_to(stroke.colours, (len(stroke.points), 4)))
    kind = "LINES" if stroke.width_px else "TRIS"
    content: dict[str, Any] = {"pos": stroke.points, "color": colours}
    return stroke, shader, batch_for_shader(shader, kind, content)


@dataclass
class Placed:
    """A line of text on the screen: its lower left corner and its size, pixels."""

    text: str
    x: float
    y: float
    width: float
    height: float
    colour: Colour


def placed(
    labels: Sequence[Label],
    places: dict[str, Matrix],
    size: tuple[float, float],
    free: float,
    seen: Matrix,
    scale: float,
) -> list[Placed]:
    """Where labels that are in view lie; `seen` leads from the world to the view's clip space.

    `size` is the view's, in pixels; from `free` on, from its left edge, a sidebar covers it: a label that
    would reach below that ends there.
    """
    ways = {space: seen @ place for space, place in places.items()}
    wide, high, beside = size[0] / 2, size[1] / 2, _BESIDE_PX * scale
    found = []
    for label in labels:
        at = ways[label.space] @ Vector((*label.place, 1.0))
        if at.w > 0:
            x, y = (at.x / at.w + 1) * wide + beside, (at.y / at.w + 1) * high + beside
            width, height = _width(label.text, scale), _LINE_PX * scale
            if x < free:
                x = min(x, free - width)
            found.append(Placed(label.text, x, y, width, height, label.colour))
    return found


@lru_cache(maxsize=256)
def _width(text: str, scale: float) -> float:
    """How wide a text is, pixels."""
    blf.size(_FONT, _TEXT_PX * scale)
    return blf.dimensions(_FONT, text)[0]


def spread(labels: Sequence[Placed]) -> list[Placed]:
    """Labels that would lie over each other, one above the other; the same text there stands once."""
    done: list[Placed] = []
    for one in sorted(labels, key=lambda label: (label.y, label.x)):
        in_its_way = [
            other for other in done if one.x < other.x + other.width and other.x < one.x + one.width
        ]
        near = [other for other in in_its_way if abs(other.y - one.y) < one.height]
        if any(other.text == one.text for other in near):
            continue
        y = one.y
        for other in sorted(in_its_way, key=lambda label: label.y):
            if abs(other.y - y) < one.height:
                y = other.y + other.height
        done.append(one if y == one.y else replace(one, y=y))
    return done


def write(texts: Iterable[tuple[str, float, float, Colour]], scale: float) -> None:
    """Lines of text at places of the region, in pixels, outlined so that they are read on any colour."""
    blf.size(_FONT, _TEXT_PX * scale)
    blf.enable(_FONT, blf.SHADOW)
    blf.shadow(_FONT, _OUTLINE, 0.0, 0.0, 0.0, 0.9)
    for text, x, y, colour in texts:
        blf.color(_FONT, *colour)
        blf.position(_FONT, round(x), round(y), 0.0)
        blf.draw(_FONT, text)
    blf.disable(_FONT, blf.SHADOW)
