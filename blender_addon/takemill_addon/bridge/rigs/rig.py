"""An armature object as plain arrays: its bones at rest, how they inherit, and where it stands in the world.

The rule by which Blender poses bones, without scale: a bone's basis is L = T(location) R(rotation); a root
bone's pose is rest @ L, a child's is parent pose @ inv(parent rest) @ rest @ L. `use_inherit_rotation` off
takes the turn from the bone's own rest instead of the parent's pose; `use_local_location` off reads the
location along the parent's pose axes (a root's: the armature's); a connected bone's location is ignored.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import bpy
import numpy as np

from takemill.base.checks import Array, Mask
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.feet.sole_mesh import SoleVertices
from takemill.maths import kinematics, quat

from . import bone_ends, mesh_soles, rotation_modes

_MAX_SCALE_DIFFERENCE = 1e-4  # how far an object's scale may differ between axes, relative
_MAX_IN_PLACE_M = 1e-6  # a bone further than this from its rest place moves apart from its parent


@dataclass(frozen=True)
class ArmatureFrame:
    """An armature object's place in the world: turn, then uniform size, then shift."""

    rotation: Array
    translation: Array
    size: float

    @classmethod
    def none(cls) -> ArmatureFrame:
        """The frame that changes nothing."""
        return cls(quat.IDENTITY, np.zeros(3), 1.0)

    @classmethod
    def of(cls, armature: bpy.types.Object) -> ArmatureFrame:
        """Where `armature` stands now, its parents included.

        Raises:
            InputError: its scale differs between axes, is mirrored or is zero.
        """
        return cls.from_matrix(np.array(armature.matrix_world, np.float64), armature.name)

    @classmethod
    def from_matrix(cls, matrix: Array, name: str) -> ArmatureFrame:
        """The frame of a (4, 4) world matrix; `name` is for the message.

        Raises:
            InputError: the matrix is no turn with one size.
        """
        linear = matrix[:3, :3]
        size = float(np.cbrt(np.linalg.det(linear)))
        if size <= 1e-9 or np.abs(linear @ linear.T / size**2 - np.eye(3)).max() > _MAX_SCALE_DIFFERENCE:
            raise InputError(
                f"armature {name!r}: its scale is mirrored or differs between axes; "
                "apply it (Object > Apply > Scale) and try again"
            )
        return cls(quat.from_matrix(linear / size), matrix[:3, 3], size)

    def world_skeleton(self, skeleton: Skeleton) -> Skeleton:
        """`skeleton` in armature space -> the same in world metres."""
        rotation, translation = self._placed(skeleton, skeleton.rest_rotation, skeleton.rest_translation)
        return replace(
            skeleton,
            rest_rotation=rotation,
            rest_translation=translation,
            tip_offsets=skeleton.tip_offsets * self.size,
            sole_points=skeleton.sole_points * self.size,
        )

    def world_motion(self, motion: Motion, skeleton: Skeleton) -> Motion:
        """`motion` in armature space -> world metres, on `skeleton` = `world_skeleton(motion.skeleton)`."""
        rotation, translation = self._placed(skeleton, motion.rotations, motion.local_translations())
        return motion_of(skeleton, motion.rate, rotation, translation)

    def armature_motion(self, motion: Motion, skeleton: Skeleton) -> Motion:
        """`motion` in world metres -> the space of the armature whose bones are `skeleton`."""
        return self.inverse.world_motion(motion, skeleton)

    @cached_property
    def standing(self) -> ArmatureFrame:
        """The same tilt and size at the origin, without a heading: what is seen by the character itself."""
        return ArmatureFrame(
            quat.mul(quat.from_yaw(-quat.yaw(self.rotation)), self.rotation), np.zeros(3), self.size
        )

    @cached_property
    def inverse(self) -> ArmatureFrame:
        """From world metres back to armature space."""
        back = quat.inv(self.rotation)
        return ArmatureFrame(back, -quat.rotate(back, self.translation) / self.size, 1 / self.size)

    def _placed(self, skeleton: Skeleton, rotations: Array, translations: Array) -> tuple[Array, Array]:
        rotations, translations = rotations.copy(), translations * self.size
        roots = [joint for joint, parent in enumerate(skeleton.parents) if parent < 0]
        rotations[..., roots, :] = quat.mul(self.rotation, rotations[..., roots, :])
        translations[..., roots, :] = (
            quat.rotate(self.rotation, translations[..., roots, :]) + self.translation
        )
        return rotations, translations


@dataclass(frozen=True)
class Rig:
    """The J bones of an armature object, in the order of its data (parents before children).

    Attributes:
        names: (J,) bone names.
        parents: (J,) index of the parent, -1 for a root bone.
        modes: (J,) rotation mode of each pose bone.
        rest_rotation: (J, 4) in armature space, the roll included.
        rest_position: (J, 3) heads in armature space.
        length: (J,)
        connected, inherits_rotation, local_location, deform: (J,) flags.
        location: (J, 3) the pose bones' location now.
        rotation_values: (J, 4) the pose bones' rotation now, as each keeps it in its mode (Euler: 3 used).
        scale: (J, 3) the pose bones' scale now.
        tip_bones: (K,) the bone of each end of the body: its tail, or what Import Take knows of it.
        tip_offsets: (K, 3) in its bone's space.
        soles: vertices of the soles at rest, where a mesh shows them.
    """

    names: tuple[str, ...]
    parents: tuple[int, ...]
    modes: tuple[str, ...]
    rest_rotation: Array
    rest_position: Array
    length: Array
    connected: Mask
    inherits_rotation: Mask
    local_location: Mask
    deform: Mask
    location: Array
    rotation_values: Array
    scale: Array
    tip_bones: tuple[int, ...]
    tip_offsets: Array
    soles: SoleVertices

    @cached_property
    def rotation(self) -> Array:
        """The pose bones' rotation now (J, 4), as quaternions."""
        return np.stack(
            [
                rotation_modes.to_quaternions(values[: rotation_modes.width_of(mode)], mode)
                for values, mode in zip(self.rotation_values, self.modes, strict=True)
            ]
        )

    @cached_property
    def cleared(self) -> Rig:
        """The same bones with their pose cleared: what unkeyed bones show when no Action has moved them."""
        rotations = np.zeros_like(self.rotation_values)
        rotations[[mode == "QUATERNION" for mode in self.modes], 0] = 1
        rotations[[mode == "AXIS_ANGLE" for mode in self.modes], 2] = 1  # Blender's own axis at rest
        return replace(
            self,
            location=np.zeros_like(self.location),
            rotation_values=rotations,
            scale=np.ones_like(self.scale),
        )

    @cached_property
    def skeleton(self) -> Skeleton:
        """The bones at rest in armature space."""
        rotation, translation = kinematics.local_from_model(
            self.parents, self.rest_rotation, self.rest_position
        )
        return Skeleton(
            self.names,
            self.parents,
            translation,
            rotation,
            self.tip_bones,
            self.tip_offsets,
            sole_joints=self.soles.joints,
            sole_points=self.soles.points,
            sole_vertices=self.soles.vertices,
            sole_weights=self.soles.weights,
        )

    @cached_property
    def parent_of_any(self) -> Mask:
        """(J,) the bones that have children."""
        mask = np.zeros(len(self.names), bool)
        mask[[parent for parent in self.parents if parent >= 0]] = True
        return mask

    @cached_property
    def needed(self) -> tuple[int, ...]:
        """The bones that deform a mesh, and those above them."""
        mask = self.deform.copy()
        for joint in range(len(self.names) - 1, -1, -1):
            if mask[joint] and self.parents[joint] >= 0:
                mask[self.parents[joint]] = True
        return tuple(map(int, np.flatnonzero(mask)))

    def local_from_basis(self, locations: Array, rotations: Array) -> tuple[Array, Array]:
        """Bases (F, J, 3) and (F, J, 4) -> local rotations (F, J, 4) and translations (F, J, 3)."""
        rest = self.skeleton
        moving = np.flatnonzero(locations.any(axis=0).any(axis=1) & ~self.connected)
        axes = np.where(self.local_location[:, None], rest.rest_rotation, quat.IDENTITY)
        translations = np.tile(rest.rest_translation, (len(locations), 1, 1))
        translations[:, moving] += quat.rotate(axes[moving], locations[:, moving])
        local = quat.mul(rest.rest_rotation, rotations)
        for joint, parents_turn in self._hinges(local):
            local[:, joint] = quat.mul(
                quat.inv(parents_turn), quat.mul(self.rest_rotation[joint], rotations[:, joint])
            )
        return local, translations

    def basis_from_local(self, rotations: Array, translations: Array) -> tuple[Array, Array]:
        """The inverse of `local_from_basis`: locations (F, J, 3) and rotations (F, J, 4).

        Raises:
            InputError: a connected bone would have to leave its parent.
        """
        rest = self.skeleton
        moves = translations - rest.rest_translation
        axes = np.where(self.local_location[:, None], rest.rest_rotation, quat.IDENTITY)
        locations = quat.rotate(quat.inv(axes), moves)
        stretch = np.abs(locations).max(axis=(0, 2)) * self.connected
        if stretch.max(initial=0) > 1e-3 * max(rest.height, _MAX_IN_PLACE_M):
            bone = self.names[int(np.argmax(stretch))]
            raise InputError(
                f"bone {bone!r} is connected to its parent and cannot move apart from it; "
                "switch its Connected option off in edit mode"
            )
        bases = quat.mul(quat.inv(rest.rest_rotation), rotations)
        for joint, parents_turn in self._hinges(rotations):
            model = quat.mul(parents_turn, rotations[:, joint])
            bases[:, joint] = quat.mul(quat.inv(self.rest_rotation[joint]), model)
        return np.where(self.connected[:, None], 0.0, locations), bases

    def _hinges(self, local: Array):
        """Each child bone that takes no rotation from its parent, with the parent's model turn (F, 4).

        `local` (F, J, 4) is read as the walk goes down the tree: what the caller repairs above counts below.
        """
        for joint in np.flatnonzero(~self.inherits_rotation):
            if self.parents[joint] >= 0:
                turn = np.broadcast_to(quat.IDENTITY, local[:, 0].shape)
                for above in self.skeleton.path_to(self.parents[joint]):
                    turn = quat.mul(turn, local[:, above])
                yield int(joint), turn


def read_rig(armature: bpy.types.Object) -> Rig:
    """The bones of `armature` as they are now.

    Raises:
        InputError: it has no bones.
    """
    bones, pose = armature.data.bones, armature.pose.bones
    if not bones:
        raise InputError(f"armature {armature.name!r}: it has no bones")
    names = tuple(bone.name for bone in bones)
    place = {name: index for index, name in enumerate(names)}
    rest = _bulk(bones, "matrix_local", 16).reshape(-1, 4, 4).swapaxes(1, 2)  # buffers are column-major
    parents = tuple(place[bone.parent.name] if bone.parent else -1 for bone in bones)
    modes = tuple(bone.rotation_mode for bone in pose)
    turned, at = quat.from_matrix(rest[:, :3, :3]), rest[:, :3, 3]
    return Rig(
        names,
        parents,
        modes,
        turned,
        at,
        _bulk(bones, "length", 1)[:, 0],
        _flags(bones, "use_connect") & (np.array(parents) >= 0),
        _flags(bones, "use_inherit_rotation"),
        _flags(bones, "use_local_location"),
        _flags(bones, "use_deform"),
        _bulk(pose, "location", 3),
        _rotation_values(pose, modes),
        _bulk(pose, "scale", 3),
        *bone_ends.kept(bones),
        mesh_soles.soles_of(armature, place, turned, at),
    )


def motion_of(skeleton: Skeleton, rate: float, rotations: Array, translations: Array) -> Motion:
    """A Motion from all local transforms (F, J, ...): joints that stay at rest get no track."""
    reach = max(np.abs(skeleton.rest_translation).max(), _MAX_IN_PLACE_M)
    apart = np.abs(translations - skeleton.rest_translation).max(axis=0).max(axis=1) > _MAX_IN_PLACE_M * reach
    tracks = {int(joint): translations[:, joint] for joint in np.flatnonzero(apart) if joint}
    return Motion(skeleton, rate, rotations, translations[:, 0], tracks)


def set_pose(armature: bpy.types.Object, rig: Rig) -> None:
    """Pose the bones of `armature` as they are in `rig`; what is keyed is played over it."""
    pose = armature.pose.bones
    pose.foreach_set("location", rig.location.astype(np.float32).ravel())
    pose.foreach_set("scale", rig.scale.astype(np.float32).ravel())
    for path, width in rotation_modes.WIDTHS.items():
        values = _bulk(pose, path, width)
        mine = [rotation_modes.path_of(mode) == path for mode in rig.modes]
        values[mine] = rig.rotation_values[mine, :width]
        pose.foreach_set(path, values.astype(np.float32).ravel())


def _rotation_values(pose, modes: tuple[str, ...]) -> Array:
    out = np.zeros((len(modes), 4))
    for path, width in rotation_modes.WIDTHS.items():
        values = _bulk(pose, path, width)
        mine = [rotation_modes.path_of(mode) == path for mode in modes]
        out[mine, :width] = values[mine]
    return out


def _bulk(items, attribute: str, width: int) -> Array:
    buffer = np.empty(len(items) * width, np.float32)
    items.foreach_get(attribute, buffer)
    return buffer.reshape(-1, width).astype(np.float64)


def _flags(items, attribute: str) -> Mask:
    buffer = np.empty(len(items), bool)
    items.foreach_get(attribute, buffer)
    return buffer
