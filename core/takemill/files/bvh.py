"""BVH files to motions and back.

The file's axes and units end here: inside, Z-up metres. A BVH skeleton has no rest rotations, so a motion
that is read has the identity for them, and a reference pose where its rest is no upright body; one that is
written is first brought to such frames, which keeps every joint's place and turn in the world.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from ..base.checks import Array
from ..base.disk import read_bytes, write_whole
from ..base.errors import BvhError
from ..body.motion import Motion
from ..body.reference_pose import with_reference
from ..body.skeleton import Skeleton
from ..body.upright import body_height
from ..maths import quat
from ..maths.axes import turns_from_z_up
from .bvh_layout import POSITIONS, ROTATIONS, BvhLayout
from .bvh_motion import motion_of
from .bvh_text import BvhText, parse
from .bvh_units import doubtful_unit, guess_axes, guess_rate

__all__ = ["BvhLayout", "format_bvh", "parse_bvh", "read_bvh", "write_bvh"]

_BLOCK_FRAMES = 512  # that are formatted at once (chosen by eye)
_MAX_ROUNDING = 1e-9  # metres and radians that a file's digits cannot hold


def read_bvh(
    path: str | Path, *, unit_m: float | None = None, up: str | None = None
) -> tuple[Motion, BvhLayout]:
    """Read a BVH file.

    Args:
        path: the file.
        unit_m: metres per file unit; None takes the unit that gives legs and trunk a body's height.
        up: "Y", "Z", "X", "-Y", "-Z" or "-X"; None takes the axis along which the body stands.

    Raises:
        BvhError: the file cannot be read or is malformed; the message names the line and the remedy.
        InputError: `unit_m` or `up` is not usable.
    """
    return _motion_of(parse(read_bytes(path, BvhError), str(path)), unit_m, up)


def parse_bvh(
    text: str, source: str = "BVH text", *, unit_m: float | None = None, up: str | None = None
) -> tuple[Motion, BvhLayout]:
    """The same as `read_bvh` for text in memory; `source` stands in messages."""
    return _motion_of(parse(text.encode("utf-8", "surrogatepass"), source), unit_m, up)


def write_bvh(path: str | Path, motion: Motion, layout: BvhLayout | None = None) -> None:
    """Write a BVH file: beside its place first, then renamed, so that nothing is ever half written.

    `layout` is that of the file which the motion was read from; None is `BvhLayout.default`. A joint whose
    motion does not fit its channels gets the missing ones. Joints stand in depth-first order.

    Raises:
        BvhError: the folder cannot be written, a name cannot stand in a BVH file, or `layout` does not fit.
    """
    write_whole(path, b"".join(piece.encode("utf-8") for piece in _pieces(motion, layout)), BvhError)


def format_bvh(motion: Motion, layout: BvhLayout | None = None) -> str:
    """The text that `write_bvh` writes."""
    return "".join(_pieces(motion, layout))


# Reading ------------------------------------------------------------------------------------------


def _motion_of(text: BvhText, unit_m: float | None, up: str | None) -> tuple[Motion, BvhLayout]:
    body, guessed = None, unit_m is None
    if unit_m is None or up is None:
        found_up, found_unit, body = guess_axes(text)
        up, unit_m = found_up if up is None else up, found_unit if unit_m is None else unit_m
    layout = BvhLayout(tuple(text.channels), unit_m, up)
    motion, layout = motion_of(text, layout, guess_rate(text.frame_time))
    if guessed and body and (doubt := doubtful_unit(body_height(motion.skeleton, body) / layout.unit_m)):
        layout = replace(layout, notes=(*layout.notes, doubt))
    return with_reference(motion, body=body), layout


# Writing ------------------------------------------------------------------------------------------


def _pieces(motion: Motion, layout: BvhLayout | None) -> Iterator[str]:
    """The text of a file: the head, then blocks of frames."""
    skeleton = motion.skeleton
    layout = BvhLayout.default(skeleton) if layout is None else layout
    if len(layout.channels) != len(skeleton):
        raise BvhError(f"BVH layout: it is for {len(layout.channels)} joints, the motion has {len(skeleton)}")
    columns = [_columns(motion, layout, joint) for joint in range(len(skeleton))]
    order, head = _hierarchy(skeleton, layout, [tuple(names) for names, _ in columns])
    values = np.concatenate([columns[joint][1] for joint in order], axis=1)
    positions = [name in POSITIONS for joint in order for name in columns[joint][0]]
    del columns
    digits = max(6, int(np.ceil(np.log10(layout.unit_m / 1e-8))))
    row = " ".join(f"%.{digits}f" if position else "%.6f" for position in positions) + "\n"
    yield f"{head}MOTION\nFrames: {len(motion)}\nFrame Time: {1 / motion.rate:.12g}\n"
    for start in range(0, len(values), _BLOCK_FRAMES):
        block = values[start : start + _BLOCK_FRAMES]
        yield (row * len(block)) % tuple(block.ravel().tolist())


def _columns(motion: Motion, layout: BvhLayout, joint: int) -> tuple[list[str], Array]:
    """The channel names of a joint and their values (F, C), in file units and degrees."""
    skeleton = motion.skeleton
    rest = skeleton.rest_model[0]
    above = rest[parent] if (parent := skeleton.parents[joint]) >= 0 else quat.IDENTITY
    offset = layout.to_file(quat.rotate(above, skeleton.rest_translation[joint]))
    place = layout.to_file(quat.rotate(above, motion.translation_of(joint)))
    # Frames that are the identity at rest: R_parent * local * R^-1, with R the rest rotations in the model.
    local = quat.mul(quat.mul(above, motion.rotations[:, joint]), quat.inv(rest[joint]))
    names = list(layout.channels[joint])
    letters = "".join(name[0] for name in names if name in ROTATIONS)
    order, angles = _angles(turns_from_z_up(local, layout.up), letters)
    names += [f"{letter}rotation" for letter in order if letter not in letters]
    for axis, name in enumerate(POSITIONS):
        if name not in names and np.abs(place[:, axis] - offset[axis]).max() * layout.unit_m > _MAX_ROUNDING:
            names.append(name)
    values = np.empty((len(motion), len(names)))
    for column, name in enumerate(names):
        source = place[:, POSITIONS.index(name)] if name in POSITIONS else angles[:, order.index(name[0])]
        values[:, column] = source
    return names, values


def _angles(q: Array, letters: str) -> tuple[str, Array]:
    """Continuous angles (F, N) in degrees of rotations (F, 4), by the axes `letters` and what they lack."""
    order = letters + "".join(letter for letter in "ZXY" if letter not in letters)
    angles = quat.to_euler(q, order)
    if len(letters) < 3:  # of the two readings the one that needs the lacking axes least
        other = np.stack([angles[:, 0] + np.pi, np.pi - angles[:, 1], angles[:, 2] + np.pi], axis=-1)
        need, need_other = (np.abs(np.sin(a[:, len(letters) :] / 2)).sum(axis=1) for a in (angles, other))
        angles = np.where((need_other < need - _MAX_ROUNDING)[:, None], other, angles)
        while (
            len(order) > len(letters) and np.abs(np.sin(angles[:, len(order) - 1] / 2)).max() < _MAX_ROUNDING
        ):
            order, angles = order[:-1], angles[:, : len(order) - 1]
        angles = np.unwrap(angles, axis=0)
    else:
        angles = quat.continuous_euler(angles)
    return order, np.degrees(angles)


def _hierarchy(
    skeleton: Skeleton, layout: BvhLayout, channels: list[tuple[str, ...]]
) -> tuple[list[int], str]:
    """The joints in the order of the file, and the text from HIERARCHY to the last brace."""
    rest = skeleton.rest_model[0]
    above = np.stack([rest[p] if p >= 0 else quat.IDENTITY for p in skeleton.parents])
    offsets = layout.to_file(quat.rotate(above, skeleton.rest_translation))
    for joint, offset in layout.offsets:
        offsets[joint] = offset
    tips = layout.to_file(quat.rotate(rest[list(skeleton.tip_joints)], skeleton.tip_offsets))
    order: list[int] = []
    lines = ["HIERARCHY"]
    waiting: list[tuple[int, int, bool]] = [(j, 0, True) for j, p in enumerate(skeleton.parents) if p < 0][
        ::-1
    ]
    while waiting:
        joint, depth, opening = waiting.pop()
        pad = "\t" * depth
        if not opening:
            lines.append(pad + "}")
            continue
        order.append(joint)
        word = "JOINT" if depth else "ROOT"
        lines += [
            f"{pad}{word} {_name(skeleton.names[joint])}",
            pad + "{",
            f"{pad}\tOFFSET {_triple(offsets[joint])}",
        ]
        lines.append(" ".join([f"{pad}\tCHANNELS {len(channels[joint])}", *channels[joint]]))
        own = [tip for tip, owner in zip(tips, skeleton.tip_joints, strict=True) if owner == joint]
        for tip in own or ([] if skeleton.children[joint] else [np.zeros(3)]):
            lines += [f"{pad}\tEnd Site", f"{pad}\t{{", f"{pad}\t\tOFFSET {_triple(tip)}", f"{pad}\t}}"]
        waiting.append((joint, depth, False))
        waiting += [(child, depth + 1, True) for child in reversed(skeleton.children[joint])]
    return order, "\n".join(lines) + "\n"


def _triple(vector: Array) -> str:
    return " ".join(f"{value + 0.0:.10g}" for value in vector)


def _name(name: str) -> str:
    unsafe = name.encode("utf-8", "replace").decode() != name  # half a character, which no text file can hold
    if not name or name != name.strip() or unsafe or any(c in name for c in "{}\r\n"):
        raise BvhError(f"joint name {name!r} cannot stand in a BVH file; rename the bone")
    return name
