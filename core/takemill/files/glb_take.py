"""Takes from a GLB: its animations as motions of the joints of its skins.

Sources: glTF 2.0 specification (Khronos, 2021), sections 3.4 (units and axes), 3.6.2 (accessors), 3.7.3
(skins), 3.11 (animations) and appendix C (interpolation).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from ..base.checks import Array
from ..base.errors import GlbError
from ..body.motion import Motion
from ..maths import quat
from ..maths.axes import turn_to_z_up
from .glb_curves import Curve, curves_of, played
from .glb_format import Json, entries, indices, parse
from .glb_numbers import Numbers
from .glb_place import Place
from .glb_rig import UPRIGHT, GlbRig, parents_of, place_of, read_rig
from .key_rate import rate_of_keys

UNIT_M, UP = 1.0, "Y"
"""Of a file, in metres, and its axis that points up (section 3.4)."""

_STAYS_M = 2e-6  # by which a joint that only turns may leave its place: float32 metres
_SCALED = 1e-3  # a scale that shows
_MOST_FRAMES = 2_000_000  # four hours and a half at 120; more is no take, but one key far away
_BODY_JOINTS = 10  # of a skeleton that may be a body; a weapon has fewer


@dataclass(frozen=True)
class GlbTakes:
    """What a GLB holds of takes.

    Attributes:
        motions: by the names of its animations; Z-up metres.
        notes: what was left out, a sentence each.
    """

    motions: Mapping[str, Motion]
    notes: tuple[str, ...]


def take_names(data: bytes, source: str) -> tuple[str, ...]:
    """The names of a file's animations, each once; those without one are numbered.

    Raises:
        GlbError: the GLB is malformed.
    """
    try:
        return _names(parse(data).json)
    except GlbError as problem:
        raise GlbError(f"{source}: {problem}") from None


def read_glb_takes(data: bytes, source: str, name: str = "") -> GlbTakes:
    """The animations of a GLB, or the one of a name, as motions of its skeleton; `source` is for messages.

    Raises:
        GlbError: it is malformed, holds no skeleton or two, no animation of joints, or none of that name.
    """
    try:
        with np.errstate(over="ignore", invalid="ignore"):  # what comes of that is refused as not finite
            return _read(data, source, name)
    except GlbError as problem:
        text = str(problem)
        raise GlbError(text if text.startswith(f"{source}: ") else f"{source}: {text}") from None


def placed_as(motion: Motion, unit_m: float, up: str, read_up: str = UP) -> Motion:
    """A motion that was read in metres, `read_up` up, of a file that means another unit or axis by that."""
    if (unit_m, up) == (UNIT_M, read_up):
        return motion
    turn = quat.mul(turn_to_z_up(up), quat.inv(turn_to_z_up(read_up)))
    old, size = motion.skeleton, unit_m / UNIT_M
    rest, places, rotations = old.rest_rotation.copy(), size * old.rest_translation, motion.rotations.copy()
    moved = {0: motion.root_translation, **motion.translations}
    tracks = {joint: size * track for joint, track in moved.items()}
    for root in (joint for joint, parent in enumerate(old.parents) if parent < 0):
        rest[root], places[root] = quat.mul(turn, rest[root]), quat.rotate(turn, places[root])
        rotations[:, root] = quat.mul(turn, rotations[:, root])
        if root in tracks:
            tracks[root] = quat.rotate(turn, tracks[root])
    skeleton = replace(old, rest_rotation=rest, rest_translation=places, tip_offsets=size * old.tip_offsets)
    return Motion(skeleton, motion.rate, rotations, tracks.pop(0), tracks)


def _read(data: bytes, source: str, name: str) -> GlbTakes:
    document = parse(data)
    names = _names(document.json)
    _expect_takes(document.json, names)
    if name and name not in names:
        raise GlbError(f"it holds no animation {name!r}; it has {', '.join(map(repr, names))}")
    rig = read_rig(data, source)
    read = Numbers(document)
    motions, scaled = {}, set()
    for one, animation in zip(names, entries(document.json, "animations"), strict=True):
        if name in ("", one):
            curves = curves_of(document, read, animation, one)
            motions[one] = _motion(document.json, rig, curves, one)
            scaled |= _scaled(rig, curves)
    notes = [f"the scale of {len(scaled)} joints is left out: {', '.join(sorted(scaled)[:3])}"] * bool(scaled)
    return GlbTakes(motions, tuple(notes))


def _names(json: Json) -> tuple[str, ...]:
    out: list[str] = []
    for number, animation in enumerate(entries(json, "animations"), 1):
        said = animation.get("name")
        plain = said if isinstance(said, str) and said else f"animation {number}"
        unique, more = plain, 1
        while unique in out:
            more += 1
            unique = f"{plain} {more}"
        out.append(unique)
    return tuple(out)


def _expect_takes(json: Json, names: Sequence[str]) -> None:
    """Insist on one skeleton and on an animation that moves more than morph targets."""
    paths = {
        channel.get("target", {}).get("path") if isinstance(channel.get("target"), dict) else None
        for animation in entries(json, "animations")
        for channel in entries(animation, "channels")
    }
    if not entries(json, "skins"):
        what = "its animations move morph targets only" if paths == {"weights"} else "it holds no skeleton"
        what = what if names else "it holds a mesh without skeleton or animation"
        raise GlbError(f"{what}; export the armature with its skinned mesh and its animation")
    if not names:
        raise GlbError(
            "it holds a skeleton and no animation, so no take; export the animation too, or name the file "
            "with --to, if it is the character that takes are fitted to"
        )
    if paths <= {"weights", None}:
        raise GlbError("its animations move morph targets only, no joints; export the body's animation")
    skeletons = _skeletons(json)
    if len(skeletons) > 1:
        first, other = skeletons[:2]
        raise GlbError(f"there are two bodies in it, below {first!r} and {other!r}; export one alone")


def _skeletons(json: Json) -> list[str]:
    """The topmost joints of skeletons that may be bodies, by their names.

    Skins are of one skeleton when they share a joint, or one hangs in the other, as a face does.
    """
    nodes = entries(json, "nodes")
    parents = parents_of(nodes)
    groups: list[set[int]] = []
    for skin in entries(json, "skins"):
        joints = set(indices(skin, "joints", len(nodes)))
        alike = [
            one for one in groups if one & _with_above(joints, parents) or joints & _with_above(one, parents)
        ]
        groups = [one for one in groups if one not in alike] + [joints.union(*alike)]
    bodies = [group for group in groups if len(group) >= _BODY_JOINTS]
    tops = [min(group, key=lambda one: len(_with_above({one}, parents))) for group in bodies]
    return [str(nodes[top].get("name", "")) for top in tops]


def _with_above(some: set[int], parents: list[int]) -> set[int]:
    """Some nodes, and all that they hang from."""
    found = set(some)
    for node in some:
        while (node := parents[node]) >= 0:
            found.add(node)
    return found


def _motion(json: Json, rig: GlbRig, curves: Mapping[tuple[int, str], Curve], name: str) -> Motion:
    nodes = entries(json, "nodes")
    above = _nodes_above(nodes, rig)
    mine = {node for node, path in curves if path != "scale"} & {*rig.nodes, *above}
    if not mine:
        raise GlbError(f"animation {name!r} moves no joint; export the armature's animation")
    times = np.unique(np.concatenate([curve.times for (node, _), curve in curves.items() if node in mine]))
    rate = rate_of_keys(times)
    count = round(float(times[-1] - times[0]) * rate) + 1
    if count > _MOST_FRAMES:
        raise GlbError(
            f"animation {name!r} would have {count} frames at {rate:g} a second; is a key far away?"
        )
    seconds = times[0] + np.arange(count) / rate
    skeleton = rig.skeleton
    carried = _carried(nodes, above, curves, seconds) if mine & {*above} else rig.above
    rotations = np.empty((count, len(skeleton), 4))
    tracks: dict[int, Array] = {}
    for joint, node in enumerate(rig.nodes):
        place = _placed(nodes[node], node, curves, seconds)
        if skeleton.parents[joint] < 0:
            place = carried @ place
            track = np.broadcast_to(place.translation, (count, 3))
        else:
            track = np.broadcast_to(carried.scale * place.translation, (count, 3))
        rotations[:, joint] = place.rotation
        if joint == 0 or np.abs(track - skeleton.rest_translation[joint]).max() > _STAYS_M:
            tracks[joint] = track
    if not all(np.isfinite(array).all() for array in (rotations, *tracks.values())):
        raise GlbError(f"animation {name!r} plays numbers that are too large")
    return Motion(skeleton, rate, rotations, tracks.pop(0), tracks)


def _placed(node: Json, number: int, curves: Mapping[tuple[int, str], Curve], seconds: Array) -> Place:
    """Where a node stands in its parent at seconds (F,), its scale left as it rests."""
    rest = place_of(node)
    turn, path = curves.get((number, "rotation")), curves.get((number, "translation"))
    return Place(
        rest.rotation if turn is None else played(turn, seconds),
        rest.translation if path is None else played(path, seconds),
        rest.scale,
    )


def _nodes_above(nodes: list[Json], rig: GlbRig) -> list[int]:
    """The nodes that carry the topmost joint, from the top."""
    parents = parents_of(nodes)
    out: list[int] = []
    node = parents[rig.nodes[0]]
    while node >= 0:
        out.insert(0, node)
        node = parents[node]
    return out


def _carried(
    nodes: list[Json], above: Sequence[int], curves: Mapping[tuple[int, str], Curve], seconds: Array
) -> Place:
    """Where what carries the joints stands (F, ...), in the scene's space, Z-up."""
    place = UPRIGHT
    for node in above:
        place = place @ _placed(nodes[node], node, curves, seconds)
    return place


def _scaled(rig: GlbRig, curves: Mapping[tuple[int, str], Curve]) -> set[str]:
    """The joints whose scale an animation changes."""
    names = dict(zip(rig.nodes, rig.skeleton.names, strict=True))
    return {
        names[node]
        for (node, path), curve in curves.items()
        if path == "scale" and node in names and np.abs(curve.values - 1).max() > _SCALED
    }
