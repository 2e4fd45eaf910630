"""Motion into GLB files: clips behind an existing rig, and a rig of sticks for those who have none.

Clips lie in glTF's axes already (glb_axes.py), a skeleton to be written in the core's.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from functools import cached_property
from itertools import pairwise
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

from .. import __version__
from ..base.checks import Array, Index, expect_positive
from ..base.errors import GlbError
from ..body.skeleton import Skeleton
from ..keys.tracks import LARGEST_INTEGER, MAX_SAME_DIFFERENCE, Path, Storage, Track, differs
from ..maths import quat
from .glb_axes import skeleton_in_gltf, to_y_up
from .glb_clip import GlbClip as GlbClip
from .glb_format import (
    BufferTarget,
    ComponentType,
    Document,
    Json,
    Writer,
    entries,
    indices,
    numbers,
    pack,
    parse,
    shortest,
)
from .glb_weights import ShapedNode, shaped_nodes, whole_weights
from .stick_mesh import stick_mesh

_XYZW = [1, 2, 3, 0]  # glTF's order of a quaternion, from ours
_ANIMATED: tuple[Path, ...] = ("translation", "rotation")
# Of a node that says nothing (glTF 2.0, section 5.25).
_REST: dict[str, tuple[float, ...]] = {"translation": (0, 0, 0), "rotation": (0, 0, 0, 1), "scale": (1, 1, 1)}
_COMPONENTS: dict[Storage, ComponentType] = {
    "float32": ComponentType.FLOAT,
    "int16": ComponentType.SHORT,
    "int8": ComponentType.BYTE,
}
_DECIMALS = 9  # of metres and quaternions: less than float32 distinguishes, but near 0
_STICK_COLOUR = [0.93, 0.55, 0.2, 1.0]  # RGBA, linear: orange, seen on dark and on light (chosen by eye)


class _Channel(NamedTuple):
    """What a glTF channel will hold: its target, float32 seconds (N,), numbers to store (N, 3 or 4).

    Of weights all shapes of a key lie behind each other: (N * W,).

    A cubic one has three of them for each second: the slope towards the key, the key, the slope away from it.
    """

    node: int
    path: Path | Literal["weights"]
    times: NDArray[np.float32]
    values: Array
    component: ComponentType
    cubic: bool = False


def append_animations(base_glb: bytes, clips: Sequence[GlbClip]) -> bytes:
    """Add clips to a GLB that holds rig and mesh; all that it held before stays as it was.

    Between keys, rotations are slerped and translations run straight (LINEAR, glTF's default), or both run
    on cubic curves where a track has slopes (CUBICSPLINE). Equal data is stored once. A node whose
    transform is a matrix gets the same as translation, rotation and scale, since only those can be
    animated (section 3.11).

    Args:
        base_glb: a GLB whose skins or nodes carry the joints' names.
        clips: what to add; their names differ from each other's and from those in the file.

    Raises:
        GlbError: the GLB is malformed, lacks a joint or a shape, hangs a joint elsewhere, or a name stands
            twice.
        InputError: a clip's rate is not a number above 0.
    """
    document = parse(base_glb)
    present = [animation.get("name") for animation in entries(document.json, "animations")]
    _check_names(present, clips)
    if not clips:
        return base_glb
    rig = _Rig(document.json)
    plans = [[*_channels(rig, clip), *_weight_channels(rig, clip)] for clip in clips]
    writer = Writer(document)
    writer.json["nodes"] = rig.nodes
    # The longest time arrays first: most others are the beginning of one and then cost nothing.
    times = {channel.times.tobytes(): channel.times for plan in plans for channel in plan}
    inputs = {
        key: writer.add(times[key], ComponentType.FLOAT, bounds=True)
        for key in sorted(times, key=lambda key: (-len(key), key))
    }
    animations = [_animation(writer, clip, plan, inputs) for clip, plan in zip(clips, plans, strict=True)]
    writer.json["animations"] = [*entries(document.json, "animations"), *animations]
    return pack(writer.finish())


def _check_names(present: Iterable[object], clips: Sequence[GlbClip]) -> None:
    taken = set(map(str, present))
    for clip in clips:
        if not clip.name:
            raise GlbError("a clip has no name")
        if clip.name in taken:
            raise GlbError(
                f"clip name {clip.name!r} stands twice; the clips of a file need names of their own"
            )
        taken.add(clip.name)


class _Rig:
    """The nodes of a file, found by joint name."""

    def __init__(self, base: Json) -> None:
        self.nodes = list(entries(base, "nodes"))
        count = len(self.nodes)
        self._parents = {
            child: parent
            for parent, node in enumerate(self.nodes)
            for child in indices(node, "children", count)
        }
        self._groups: list[dict[str, int]] = []
        for skin in entries(base, "skins"):
            self._groups.append(self._named(indices(skin, "joints", count)))
        self._groups.append(self._named(range(count)))
        self._base = base
        self._known: list[tuple[Skeleton, list[int], dict[tuple[int, Path], Track]]] = []

    @cached_property
    def shaped(self) -> tuple[ShapedNode, ...]:
        """The nodes whose meshes have shapes."""
        return shaped_nodes(self._base)

    def known(self, skeleton: Skeleton) -> tuple[list[int], dict[tuple[int, Path], Track]]:
        """The node of each joint (J,), and a key for each rest that differs from its node's.

        The clips of a set share a skeleton: it is looked up once.

        Raises:
            GlbError: as for `joints`.
        """
        for other, nodes, odd in self._known:
            if other is skeleton:
                return nodes, odd
        nodes, odd = self.joints(skeleton), {}
        rests = dict(zip(_ANIMATED, (skeleton.rest_translation, skeleton.rest_rotation), strict=True))
        for joint, node in enumerate(nodes):
            for path, rest in rests.items():
                value = rest[joint][_XYZW] if path == "rotation" else rest[joint]
                if differs(value, self.rest(node, path)):
                    odd[joint, path] = Track(joint, path, np.zeros(1), rest[joint, None])
        self._known.append((skeleton, nodes, odd))
        return nodes, odd

    def _named(self, nodes: Iterable[int]) -> dict[str, int]:
        found: dict[str, int] = {}
        for node in nodes:
            found.setdefault(str(self.nodes[node].get("name", "")), node)
        return found

    def joints(self, skeleton: Skeleton) -> list[int]:
        """The node of each joint (J,): those of the first skin that knows all, else of any skin or node.

        An object may carry a bone's name too, hence the skins first.

        Raises:
            GlbError: a joint is missing, or hangs below another one than in the skeleton.
        """
        for group in self._groups:
            if all(name in group for name in skeleton.names):
                found = [group[name] for name in skeleton.names]
                break
        else:
            known = {name: node for group in reversed(self._groups) for name, node in group.items()}
            missing = next((name for name in skeleton.names if name not in known), None)
            if missing is not None:
                raise GlbError(f"the GLB has no joint {missing!r}; was it made from another rig?")
            found = [known[name] for name in skeleton.names]
        for joint, parent in enumerate(skeleton.parents):
            if parent >= 0 and self._parents.get(found[joint]) != found[parent]:
                raise GlbError(
                    f"joint {skeleton.names[joint]!r} hangs below {skeleton.names[parent]!r} in the "
                    "skeleton, but not in the GLB; was it made from another rig?"
                )
        return found

    def rest(self, node: int, path: str) -> Array:
        """Translation (3,) or rotation (4,), x y z w, of a node in the file."""
        if "matrix" in self.nodes[node]:
            self.nodes[node] = _without_matrix(self.nodes[node])
        return numbers(self.nodes[node], path, _REST[path])


def _without_matrix(node: Json) -> Json:
    """The same node by translation, rotation and scale.

    Raises:
        GlbError: its matrix shears or flattens.
    """
    matrix = numbers(node, "matrix", np.eye(4).ravel()).reshape(4, 4).T
    scale = np.linalg.norm(matrix[:3, :3], axis=0)
    scale[0] *= -1 if np.linalg.det(matrix[:3, :3]) < 0 else 1
    turn = matrix[:3, :3] / np.where(scale == 0, 1, scale)
    if not np.allclose(turn.T @ turn, np.eye(3), atol=1e-4):
        raise GlbError(
            f"the matrix of node {node.get('name', '')!r} shears or flattens; it cannot be animated"
        )
    found = {"translation": matrix[:3, 3], "rotation": quat.from_matrix(turn)[_XYZW], "scale": scale}
    kept = {key: value for key, value in node.items() if key != "matrix"}
    return kept | {path: shortest(value) for path, value in found.items()}


def _channels(rig: _Rig, clip: GlbClip) -> list[_Channel]:
    """The channels of a clip: its tracks, and a key where the file's rest is not the skeleton's."""
    expect_positive(clip.rate, f"rate of clip {clip.name!r}")
    skeleton = clip.skeleton
    nodes, odd_rests = rig.known(skeleton)
    tracks: dict[tuple[int, Path], Track] = {}
    for track in clip.tracks:
        if not 0 <= track.joint < len(skeleton) or (track.joint, track.path) in tracks:
            raise GlbError(f"clip {clip.name!r}: two tracks, or one too many, for joint {track.joint}")
        tracks[track.joint, track.path] = track
    wanted: list[tuple[int, Track]] = []
    for joint, node in enumerate(nodes):
        for path in _ANIMATED:
            key = tracks.get((joint, path)) or odd_rests.get((joint, path))
            if key is not None:
                wanted.append((node, key))
    out = [
        channel
        for (node, key), channel in zip(wanted, _stored(clip, wanted), strict=True)
        if len(channel.values) > 1 or _differs(key, channel, rig.rest(node, key.path))
    ]
    if not out:  # section 5.3: an animation has at least one channel
        track = tracks.get((0, "rotation")) or Track(0, "rotation", np.zeros(1), skeleton.rest_rotation[:1])
        out += _stored(clip, [(nodes[0], track)])
    return out


def _stored(clip: GlbClip, tracks: Sequence[tuple[int, Track]]) -> Iterator[_Channel]:
    """What the file holds of nodes and their tracks; the rotations are made ready all at once."""
    turned = _rotations([track for _, track in tracks if track.path == "rotation"])
    times: dict[bytes, NDArray[np.float32]] = {}
    for node, track in tracks:
        key = track.frames.tobytes()
        if key not in times:
            times[key] = (track.frames / clip.rate).astype(np.float32)
            if not (times[key][1:] > times[key][:-1]).all():
                name = clip.skeleton.names[track.joint]
                raise GlbError(
                    f"clip {clip.name!r}, joint {name!r}: keys so close that float32 seconds cannot part them"
                )
        values = next(turned) if track.path == "rotation" else _tidy(track.values)
        cubic = track.slopes is not None and len(track.frames) > 1  # a cubic curve has two keys or more
        if cubic:
            values = _tidy(_with_slopes(clip, track, values))
        yield _Channel(node, track.path, times[key], values, _COMPONENTS[track.storage], cubic)


def _weight_channels(rig: _Rig, clip: GlbClip) -> Iterator[_Channel]:
    """The channels of a clip's faces: a list of times for all shapes of a node (section 3.11)."""
    for track in clip.weights:
        node, values = whole_weights(rig.shaped, track)
        times = (track.frames / clip.rate).astype(np.float32)
        yield _Channel(node, "weights", times, _tidy(values).ravel(), ComponentType.FLOAT)


def _tidy(values: Array) -> Array:
    """Zeros are zeros, and not what one library's sums leave of them and another's do not."""
    return np.round(values, _DECIMALS) + 0.0


def _with_slopes(clip: GlbClip, track: Track, values: Array) -> Array:
    """Stored numbers (N, 3 or 4) of keys, with their slopes per second around them (3 N, 3 or 4).

    Raises:
        GlbError: a slope is too steep for integers, which stand for -1 to 1 (section 3.11).
    """
    slopes = np.asarray(track.slopes) * clip.rate
    if track.path == "rotation":
        slopes = slopes[..., _XYZW]
        slopes *= np.where(np.einsum("ij,ij->i", track.values[:, _XYZW], values) < 0, -1, 1)[:, None, None]
        if track.storage != "float32":
            if np.abs(slopes).max() > 1:
                name = clip.skeleton.names[track.joint]
                raise GlbError(f"clip {clip.name!r}, joint {name!r}: slopes too steep for {track.storage}")
            slopes = np.rint(slopes * LARGEST_INTEGER[track.storage])
    return np.stack([slopes[:, 0], values, slopes[:, 1]], axis=1).reshape(-1, values.shape[-1])


def _rotations(tracks: Sequence[Track]) -> Iterator[Array]:
    """The numbers (N, 4), x y z w, that the file holds for rotations; they never jump to the other sign."""
    if not tracks:
        return
    counts = [len(track.frames) for track in tracks]
    starts = np.cumsum([0, *counts])
    whole = np.concatenate([track.values for track in tracks])
    flips = np.zeros(len(whole), np.intp)
    flips[1:] = np.einsum("ij,ij->i", whole[1:], whole[:-1]) < 0
    odd = np.cumsum(flips)
    odd -= np.repeat(odd[starts[:-1]], counts)
    whole[odd % 2 == 1] *= -1
    largest = np.repeat([LARGEST_INTEGER[track.storage] for track in tracks], counts)
    scaled = quat.normalize(whole)[:, _XYZW] * largest[:, None]
    numbers = _tidy(np.where(largest[:, None] > 1, np.rint(scaled), scaled))
    for start, stop in pairwise(starts):
        yield numbers[start:stop]


def _differs(track: Track, channel: _Channel, rest: Array) -> bool:
    """Whether a single key says something else than the node's rest in the file."""
    value = channel.values[0] / LARGEST_INTEGER[track.storage]
    signs = (1, -1) if track.path == "rotation" else (1,)
    return min(float(np.abs(sign * value - rest).max()) for sign in signs) > MAX_SAME_DIFFERENCE


def _animation(writer: Writer, clip: GlbClip, plan: list[_Channel], inputs: Mapping[bytes, int]) -> Json:
    samplers: dict[tuple[int, int, bool], int] = {}
    channels: list[Json] = []
    for channel in plan:
        normalized = channel.component is not ComponentType.FLOAT
        output = writer.add(channel.values, channel.component, normalized=normalized)
        key = inputs[channel.times.tobytes()], output, channel.cubic
        sampler = samplers.setdefault(key, len(samplers))
        channels.append({"sampler": sampler, "target": {"node": channel.node, "path": channel.path}})
    listed = [
        {"input": times, "output": values, **({"interpolation": "CUBICSPLINE"} if cubic else {})}
        for times, values, cubic in samplers
    ]
    animation: Json = {"name": clip.name, "channels": channels, "samplers": listed}
    return animation | ({"extras": dict(clip.extras)} if clip.extras else {})


def skeleton_glb(skeleton: Skeleton, name: str = "skeleton") -> bytes:
    """A GLB of a skeleton in the core's axes alone, with a stick for each bone to be seen by.

    The joints keep their names and order. They hang below a node called `name`, so that several roots
    have a parent in common, as a skin asks (section 3.7.3.3).
    """
    count, inside = len(skeleton), skeleton_in_gltf(skeleton)
    roots = [joint for joint, parent in enumerate(skeleton.parents) if parent < 0]
    group = _free(name, skeleton.names)
    sticks = _free(f"{name}_sticks", (*skeleton.names, group))
    writer = Writer(Document({"asset": {"version": "2.0", "generator": f"Takemill {__version__}"}}, None))
    writer.json |= {
        "scene": 0,
        "scenes": [{"name": name, "nodes": [count, count + 1]}],
        "nodes": [
            *(_joint_node(inside, joint) for joint in range(count)),
            {"name": group, "children": roots},
            {"name": sticks, "mesh": 0, "skin": 0},
        ],
        "materials": [
            {
                "name": sticks,
                "pbrMetallicRoughness": {
                    "baseColorFactor": _STICK_COLOUR,
                    "metallicFactor": 0.0,
                    "roughnessFactor": 0.7,
                },
            }
        ],
        "meshes": [{"name": sticks, "primitives": [_primitive(writer, skeleton)]}],
        "skins": [
            {
                "name": name,
                "inverseBindMatrices": writer.add(_inverse_binds(inside), ComponentType.FLOAT),
                "skeleton": count,
                "joints": list(range(count)),
            }
        ],
    }
    return pack(writer.finish())


def _free(name: str, taken: Iterable[str]) -> str:
    while name in taken:
        name += "_"
    return name


def _joint_node(skeleton: Skeleton, joint: int) -> Json:
    """A joint at rest; what equals glTF's default is left out."""
    node: Json = {"name": skeleton.names[joint]}
    if skeleton.children[joint]:
        node["children"] = list(skeleton.children[joint])
    rotation = skeleton.rest_rotation[joint][_XYZW]
    if np.any(rotation[:3]):
        node["rotation"] = shortest(rotation)
    translation = skeleton.rest_translation[joint] + 0.0  # no negative zeros
    if np.any(translation):
        node["translation"] = shortest(translation)
    return node


def _primitive(writer: Writer, skeleton: Skeleton) -> Json:
    """The sticks; without normals, so that each face is shaded flat (section 3.7.2.1)."""
    mesh = stick_mesh(skeleton)
    joints: Index = np.zeros((len(mesh.joints), 4), np.intp)
    joints[:, 0] = mesh.joints
    weights = np.zeros((len(mesh.joints), 4))
    weights[:, 0] = 255
    many = len(skeleton) > 256
    wide = len(mesh.positions) > 65535
    vertex, byte = BufferTarget.ARRAY_BUFFER, ComponentType.UNSIGNED_BYTE
    positions = to_y_up(mesh.positions)
    return {
        "attributes": {
            "POSITION": writer.add(positions, ComponentType.FLOAT, bounds=True, target=vertex),
            "JOINTS_0": writer.add(joints, ComponentType.UNSIGNED_SHORT if many else byte, target=vertex),
            "WEIGHTS_0": writer.add(weights, byte, normalized=True, target=vertex),
        },
        "indices": writer.add(
            mesh.triangles.ravel(),
            ComponentType.UNSIGNED_INT if wide else ComponentType.UNSIGNED_SHORT,
            target=BufferTarget.ELEMENT_ARRAY_BUFFER,
        ),
        "material": 0,
    }


def _inverse_binds(skeleton: Skeleton) -> Array:
    """(J, 16) from model space to each joint's at rest; glTF's matrices are column-major."""
    rotations, positions = skeleton.rest_model
    back = quat.inv(rotations)
    inverse = np.zeros((len(skeleton), 4, 4))
    inverse[:, :3, :3] = quat.to_matrix(back)
    inverse[:, :3, 3] = -quat.rotate(back, positions)
    inverse[:, 3, 3] = 1
    return inverse.swapaxes(1, 2).reshape(-1, 16)
