"""Bodies with a tail, two ears and a strap, that hang on open reference motions; what their chains do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from takemill.base.checks import Array
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat
from takemill.springs.springs import SpringChain, SpringCollider, Springs, chain_along, joints_of
from takemill.springs.springs_presets import with_preset

_STEPS = {
    "tail": ("hips", [(0.0, 0.10, -0.02), (0.02, 0.14, -0.03), (0.0, 0.15, 0.01), (0.0, 0.12, 0.05)]),
    "ear.L": ("head", [(0.08, 0.0, 0.15), (0.03, 0.0, 0.07), (0.01, 0.0, 0.06)]),
    "strap": ("spine", [(-0.12, -0.15, 0.05), (0.0, -0.02, -0.12), (0.0, 0.0, -0.12), (0.0, 0.0, -0.10)]),
}
"""By chain, the part that carries it and the way from each joint to the next, in the model, metres."""

PRESETS_OF = {"tail": "tail", "ear.L": "ears", "strap": "strap"}


def with_presets(springs: Springs) -> Springs:
    """The chains of `with_chains` with the presets of their kinds instead of numbers that are livelier."""
    return replace(
        springs,
        chains=tuple(with_preset(chain, PRESETS_OF[chain.name]) for chain in springs.chains),
    )


def with_chains(motion: Motion, parts: BodyMap, seed: int = 4) -> tuple[Motion, Springs]:
    """A motion on its skeleton with more joints, whose axes are drawn at random, and their chains.

    The tail is pushed by a ball and by a capsule, the strap by the ball, the ear by nothing.
    """
    old, rng = motion.skeleton, np.random.default_rng(seed)
    names, parents = list(old.names), list(old.parents)
    rotations, places = list(old.reference_rotation), list(old.reference_translation)
    turned, heads = (list(one) for one in old.reference_model)
    chains: dict[str, list[int]] = {}
    for name, (part, steps) in _STEPS.items():
        above = parts.require(part)
        for k, step in enumerate(steps):
            own = quat.normalize(rng.normal(size=4))
            head = heads[above] + np.array(step)
            rotations.append(quat.mul(quat.inv(turned[above]), own))
            places.append(quat.rotate(quat.inv(turned[above]), head - heads[above]))
            names.append(f"{name}.{k}")
            parents.append(above)
            turned.append(own)
            heads.append(head)
            above = len(names) - 1
            chains.setdefault(name, []).append(above)
    rest = np.array(rotations)
    skeleton = Skeleton(tuple(names), tuple(parents), np.array(places), rest)
    more = np.broadcast_to(rest[len(old) :], (len(motion), len(rest) - len(old), 4))
    long = Motion(
        skeleton, motion.rate, np.concatenate([motion.rotations, more], axis=1), motion.root_translation,
        motion.translations,
    )  # fmt: skip
    hips, chest = parts.require("hips"), parts.require("spine")

    def on(joint: int, x: float, y: float, z: float) -> Array:
        return quat.rotate(quat.inv(turned[joint]), np.array([x, y, z]))

    colliders = (
        SpringCollider("behind", hips, on(hips, 0.03, 0.2, -0.1), 0.08),
        SpringCollider("leg", hips, on(hips, 0.15, 0.1, 0.0), 0.07, on(hips, 0.15, 0.4, 0.1)),
        SpringCollider("front", chest, on(chest, -0.1, -0.1, -0.2), 0.1),
    )
    looks = {
        "tail": ({"stiffness": 0.6, "drag": 0.2, "gravity": 0.05, "radius": 0.03}, ("behind", "leg")),
        "ear.L": ({"stiffness": 2.0, "drag": 0.3}, ()),
        "strap": ({"stiffness": 0.05, "drag": 0.1, "gravity": 0.16, "radius": 0.02}, ("front",)),
    }
    made = tuple(_chain(name, skeleton, joints, *looks[name]) for name, joints in chains.items())
    return long, Springs(made, colliders)


def _chain(
    name: str, skeleton: Skeleton, joints: list[int], numbers: dict[str, float], colliders: tuple[str, ...]
) -> SpringChain:
    chain = chain_along(name, skeleton, joints)
    swinging = tuple(replace(one, **numbers) for one in chain.joints)
    return replace(chain, joints=swinging, colliders=colliders)


def ends_of(motion: Motion, springs: Springs, rotations: Array) -> Array:
    """Where the bones end (F, N, 3) in the world, when the joints that swing have these rotations."""
    joints = list(joints_of(springs))
    posed = motion.rotations.copy()
    posed[:, joints] = rotations
    model_q, model_p = motion.with_rotations(posed).model()
    ends = np.array([one.end for chain in springs.chains for one in chain.joints])
    return model_p[:, joints] + quat.rotate(model_q[:, joints], ends)
