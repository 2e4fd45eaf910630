"""The springs of an armature: what is kept with it, or what the recipe says of it, as the engine's chains."""

from __future__ import annotations

import json

import bpy
from mathutils import Matrix

from takemill.base.errors import InputError
from takemill.body.body_map import BodyMap
from takemill.body.skeleton import Skeleton
from takemill.pipeline.character_springs import springs_of
from takemill.recipe.recipe import Recipe
from takemill.recipe.recipe_springs import ChainSpec, ColliderSpec, SpringsSpec
from takemill.springs.springs import SpringChain, Springs, rest_offset, tip_of
from takemill.springs.springs_presets import PRESETS, with_preset

from ...properties.springs import OWN
from ..scene import actions

_DOWN = (0.0, 0.0, -1.0)  # where gravity pulls unless a chain says otherwise
_SAME_PLACE_M = 1e-6  # a bone that ends so near to another one's head ends there


def chains_of(
    armature: bpy.types.Object, skeleton: Skeleton, body: BodyMap, settings: Recipe, own_take: bool = False
) -> Springs:
    """The chains and colliders of an armature; none where nothing is asked of it.

    Those that are kept with it count, else the recipe's of its name; `own_take` says that it is the
    performer's own, to which the recipe's [springs] belong.

    Raises:
        InputError: a bone is gone, or they cannot be simulated.
    """
    spec = settings.springs if own_take else SpringsSpec()
    if armature.takemill.chains:
        spec = kept_spec(armature)
    elif (named := settings.said_of(armature.name)) is not None:
        spec = named.springs
    if not spec:
        return Springs()
    try:
        return springs_of(spec, skeleton, body)
    except InputError as problem:
        raise InputError(f"armature {armature.name!r}: {problem}") from problem


def kept_spec(armature: bpy.types.Object) -> SpringsSpec:
    """The chains and colliders that are kept with an armature, as a recipe says them."""
    kept = armature.takemill
    names = tuple(one.name for one in kept.colliders)
    return SpringsSpec(
        False,
        {one.name: _chain_spec(one, names) for one in kept.chains if one.use},
        {one.name: _collider_spec(one) for one in kept.colliders},
    )


def keep_springs(armature: bpy.types.Object, springs: Springs, skeleton: Skeleton) -> None:
    """Keep chains and colliders with an armature instead of those that were kept."""
    kept = armature.takemill
    kept.chains.clear()
    kept.colliders.clear()
    if kept.chains or kept.colliders:  # of a library, from which an override can remove nothing
        raise InputError(
            f"armature {armature.name!r}: its chains are linked from another file; find them there"
        )
    for chain in springs.chains:
        item, one = kept.chains.add(), chain.joints[0]
        item.name, item.preset = chain.name, _preset_of(chain)
        item.first, item.last = skeleton.names[one.joint], _last_of(chain, skeleton)
        item.collides = bool(chain.colliders) or not springs.colliders
        if {*chain.colliders} != {one.name for one in springs.colliders}:
            item.only = ", ".join(chain.colliders)
        item.center = "" if chain.center is None else skeleton.names[chain.center]
        item.stiffness, item.drag, item.gravity, item.radius = (
            one.stiffness,
            one.drag,
            one.gravity,
            one.radius,
        )
        item.gravity_dir = one.gravity_dir
    for collider in springs.colliders:
        item = kept.colliders.add()
        item.name, item.bone, item.radius = collider.name, skeleton.names[collider.joint], collider.radius
        item.offset, item.capsule = collider.offset, collider.tail is not None
        item.inside, item.plane = collider.inside, collider.normal is not None
        if collider.tail is not None:
            item.tail = collider.tail
        if collider.normal is not None:
            item.normal = collider.normal
    kept.chain_index = kept.collider_index = 0


def pose_before(armature: bpy.types.Object, action: bpy.types.Action) -> str:
    """How the bones stand that an Action does not key, as JSON: a preview may move them."""
    bag = actions.channelbag(action, actions.slot_for(action, armature))
    keyed = {curve.data_path.split('"]')[0] for curve in bag.fcurves}
    free = (
        bone
        for bone in armature.pose.bones
        if f'pose.bones["{bpy.utils.escape_identifier(bone.name)}' not in keyed
    )
    return json.dumps({bone.name: [list(row) for row in bone.matrix_basis] for bone in free})


def restore_pose(armature: bpy.types.Object, action: bpy.types.Action) -> None:
    """Bones back to how they stood before a preview."""
    for name, rows in json.loads(action.takemill.posed or "{}").items():
        if name in armature.pose.bones:
            armature.pose.bones[name].matrix_basis = Matrix(rows)


def _preset_of(chain: SpringChain) -> str:
    """The preset whose numbers a chain has."""

    def numbers(one: SpringChain) -> list[tuple[float, ...]]:
        return [(joint.stiffness, joint.drag, joint.gravity, joint.radius) for joint in one.joints]

    return next((name for name in PRESETS if numbers(with_preset(chain, name)) == numbers(chain)), OWN)


def _last_of(chain: SpringChain, skeleton: Skeleton) -> str:
    """The bone that a chain ends with: its last one that swings, or the one below that ends it."""
    one = chain.joints[-1]
    if tip_of(skeleton, one.joint) is not None:
        return skeleton.names[one.joint]
    below = (
        child
        for child in skeleton.children[one.joint]
        if abs(rest_offset(skeleton, one.joint, child) - one.end).max() < _SAME_PLACE_M
    )
    return skeleton.names[next(below, one.joint)]


def _chain_spec(one, colliders: tuple[str, ...]) -> ChainSpec:
    numbers = {}
    if one.preset == OWN:
        numbers = {key: _short(getattr(one, key)) for key in ("stiffness", "drag", "gravity", "radius")}
    toward = tuple(map(_short, one.gravity_dir))
    only = tuple(name for part in one.only.split(",") if (name := part.strip()))
    return ChainSpec(
        preset="" if one.preset == OWN else one.preset,
        first=one.first,
        last=one.last,
        gravity_dir=None if toward == _DOWN else toward,
        colliders=(only or colliders) if one.collides else (),
        center=one.center,
        **numbers,
    )


def _collider_spec(one) -> ColliderSpec:
    offset, tail, normal = (tuple(map(_short, end)) for end in (one.offset, one.tail, one.normal))
    if one.plane:
        return ColliderSpec(one.bone, offset, normal=normal)
    return ColliderSpec(one.bone, offset, tail if one.capsule else None, _short(one.radius), one.inside)


def _short(value: float) -> float:
    """A number as it was typed: Blender keeps single precision."""
    return float(f"{value:.6g}")
