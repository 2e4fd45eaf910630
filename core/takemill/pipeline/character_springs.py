"""The chains of one character: what its file and its names show, and what the recipe says of them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.skeleton import Skeleton
from ..recipe.recipe_springs import ChainSpec, SpringsSpec
from ..springs.springs import SpringChain, SpringCollider, Springs, chain_along, expect_springs
from ..springs.springs_found import find_chains
from ..springs.springs_presets import with_preset


def springs_of(spec: SpringsSpec, skeleton: Skeleton, body: BodyMap, own: Springs | None = None) -> Springs:
    """The chains and colliders that swing; `own` are those of the character's file.

    Raises:
        InputError: the recipe names a joint, a chain or a collider that is not there, or they cannot be
            simulated (see `springs.expect_springs`).
    """
    base = own if own is not None and own.chains else Springs(find_chains(skeleton, body))
    chains = {chain.name: chain for chain in base.chains} if spec.find else {}
    colliders = {one.name: one for one in base.colliders}
    for name, part in spec.colliders.items():
        joint = _joint(skeleton, part.joint, f"collider {name!r}")
        tail, normal = (None if one is None else np.array(one) for one in (part.tail, part.normal))
        offset = np.array(part.offset)
        colliders[name] = SpringCollider(name, joint, offset, part.radius, tail, part.inside, normal)
    for name, one in spec.chains.items():
        if not one.swings:
            chains.pop(name, None)
            continue
        known = next((chain for chain in base.chains if chain.name == name), None)
        chains[name] = _chain(name, one, skeleton, known)
    used = {name for chain in chains.values() for name in chain.colliders}
    asked = {name: one for name, one in colliders.items() if name in used or name in spec.colliders}
    found = Springs(tuple(chains.values()), tuple(asked.values()))
    expect_springs(found, skeleton, body)
    return found


def _chain(name: str, spec: ChainSpec, skeleton: Skeleton, known: SpringChain | None) -> SpringChain:
    """A chain of a recipe, over the one of its name that was found."""
    who = f"chain {name!r}"
    if spec.first:
        first = _joint(skeleton, spec.first, who)
        chain = chain_along(name, skeleton, _joints(skeleton, first, spec.last, who))
    elif known is None:
        raise InputError(f'{who}: none of this name was found; say where it begins: from = "JOINT"')
    else:
        chain = known
    if spec.preset:
        chain = with_preset(chain, spec.preset)
    changes = {
        key: value
        for key in ("stiffness", "drag", "gravity", "radius")
        if (value := getattr(spec, key)) is not None
    }
    if spec.gravity_dir is not None:
        changes["gravity_dir"] = np.array(spec.gravity_dir)
    return replace(
        chain,
        joints=tuple(replace(one, **changes) for one in chain.joints),
        colliders=chain.colliders if spec.colliders is None else spec.colliders,
        center=_joint(skeleton, spec.center, who) if spec.center else chain.center,
    )


def _joints(skeleton: Skeleton, first: int, last: str, who: str) -> tuple[int, ...]:
    """From the first joint down to the last one, or as far as there is one way down."""
    if last:
        end = _joint(skeleton, last, who)
        path = skeleton.path_to(end)
        if first not in path:
            raise InputError(
                f"{who}: {last!r} does not hang below {skeleton.names[first]!r}; a branch is a chain of its "
                "own"
            )
        return path[path.index(first) :]
    run = [first]
    while below := skeleton.children[run[-1]]:
        if len(below) > 1:
            names = " and ".join(repr(skeleton.names[one]) for one in below[:3])
            raise InputError(
                f"{who}: it branches below {skeleton.names[run[-1]]!r} into {names}; say where it ends: "
                'to = "JOINT", and let each other branch be a chain of its own'
            )
        run.append(below[0])
    return tuple(run)


def _joint(skeleton: Skeleton, name: str, who: str) -> int:
    if name not in skeleton.names:
        raise InputError(f"{who}: there is no joint {name!r}; it has: {', '.join(skeleton.names)}")
    return skeleton.names.index(name)
