"""Chains that a skeleton shows by its body map and its joints' names: tails, ears, hair, straps."""

from __future__ import annotations

from collections.abc import Collection, Mapping

from ..body.body_map import BodyMap
from ..body.body_names import words_of
from ..body.skeleton import Skeleton
from .springs import SpringChain, chain_along, tip_of
from .springs_presets import with_preset

# Words of names, by preset; common practice of riggers, no source.
_WORDS: Mapping[str, Collection[str]] = {
    "tail": {"tail", "tails"},
    "ears": {"ear", "ears"},
    "hair": {"hair", "ponytail", "braid", "fringe", "bangs", "pigtail", "mane", "beard"},
    "strap": {"strap", "straps", "ribbon", "scarf", "tassel", "cord", "rope", "sash"},
}


def find_chains(skeleton: Skeleton, body: BodyMap) -> tuple[SpringChain, ...]:
    """The chains that are found, each with the preset of its kind, named as its first joint or "tail".

    A chain goes down as long as its joints have one child; a branch whose joints are called so is a chain of
    its own. Joints that play a part of the body are left alone, but for its tail.
    """
    tail = body.chain("tail")
    taken = set(body.joints.values()) - {
        joint for part, joint in body.joints.items() if part.startswith(("tail.", "prop."))
    }
    chains = [_chain("tail", skeleton, tail, "tail")]
    done = {*tail, *taken}
    for joint, name in enumerate(skeleton.names):
        kind = _kind_of(name)
        if joint in done or not kind or skeleton.parents[joint] < 0:
            continue
        run = [joint]
        while len(below := [one for one in skeleton.children[run[-1]] if one not in taken]) == 1:
            run.append(below[0])
        done.update(run)
        chains.append(_chain(name, skeleton, tuple(run), kind))
    return tuple(chain for chain in chains if chain is not None)


def _kind_of(name: str) -> str:
    words = set(words_of(name))
    return next((kind for kind, known in _WORDS.items() if words & set(known)), "")


def _chain(name: str, skeleton: Skeleton, joints: tuple[int, ...], preset: str) -> SpringChain | None:
    """The chain of some joints; None where nothing of it can swing."""
    if not joints or (len(joints) == 1 and tip_of(skeleton, joints[0]) is None):
        return None
    return with_preset(chain_along(name, skeleton, joints), preset)
