"""What hangs on the main parts: toes, fingers, eyes, jaw, tail and props."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from .body_parts import FINGERS, SIDES
from .body_tree import UP, BodyTree

_PALM = ("Index", "Middle", "Ring", "Little")


def extras(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:
    """Part -> joint for those parts that `joints` lacks; each joint is given once."""
    found: dict[str, int] = {}
    used = set(joints.values())
    for group in (_toes, _fingers, _face, _tail, _props):
        for part, joint in group(tree, joints).items():
            if part not in joints and part not in found and joint not in used:
                found[part] = joint
                used.add(joint)
    return found


def _toes(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:
    """The joint below a foot that is called toes, or that lies farthest forward."""
    found = {}
    for side in SIDES:
        if (foot := joints.get(f"{side}Foot")) is None:
            continue
        below = tree.skeleton.subtree(foot)[1:].tolist()
        called = [j for j in below if tree.hints[j].best == "Toes"]
        silent = [
            j for j in tree.skeleton.children[foot]
            if not tree.hints[j].parts and not tree.helps(j) and j not in tree.nubs
        ]  # fmt: skip
        if called:
            found[f"{side}Toes"] = called[0]
        elif silent:
            reach = {
                j: float(np.linalg.norm((tree.points([j]) - tree.at[foot])[:, :2], axis=1).max())
                for j in silent
            }
            farthest = max(silent, key=lambda j: reach[j])
            if reach[farthest] > 0.15 * tree.gap(joints[f"{side}LowerLeg"], foot):
                found[f"{side}Toes"] = farthest
    return found


def _fingers(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:
    found = {}
    for side in SIDES:
        if (hand := joints.get(f"{side}Hand")) is None:
            continue
        chains = _finger_chains(tree, hand)
        called: dict[str, tuple[int, ...]] = {}
        for chain in chains:
            best = next((tree.hints[j].best for j in chain if tree.hints[j].best in FINGERS), "")
            if best and len(chain) > len(called.get(best, ())):
                called[best] = chain
        if not called and not any(tree.hints[j].parts for chain in chains for j in chain):
            called = _fingers_by_place(tree, hand, chains)
        for finger, chain in called.items():
            for joint, bone in zip(chain, FINGERS[finger], strict=False):
                found[f"{side}{finger}{bone}"] = joint
    return found


def _finger_chains(tree: BodyTree, hand: int) -> list[tuple[int, ...]]:
    """The unbranched ends of the chains below a hand, at most three joints each, without end joints."""
    chains = []
    children = tree.skeleton.children
    for end in tree.skeleton.subtree(hand)[1:].tolist():
        if any(not tree.helps(c) for c in children[end]) or tree.helps(end):
            continue
        chain = [end]
        while (up := tree.skeleton.parents[chain[0]]) != hand and len(children[up]) == 1:
            chain.insert(0, up)
        called = [j for j in chain if tree.hints[j].best in FINGERS]
        chain = called or chain
        if len(chain) > 1 and end in tree.nubs:
            chain.pop()
        # Of four joints the last marks the end, or the first lies in the palm: then it is near the wrist.
        palm = len(chain) > 3 and tree.gap(hand, chain[0]) < tree.gap(chain[0], chain[1])
        chains.append(tuple(chain[-3:] if palm or len(tree.tips[end]) else chain[:3]))
    return chains


def _fingers_by_place(tree: BodyTree, hand: int, chains: list[tuple[int, ...]]) -> dict[str, tuple[int, ...]]:
    """Silent chains in their order across the palm; the thumb is the one that leaves it first."""
    chains = [chain for chain in chains if len(chain) > 1]
    if not 3 <= len(chains) <= 5:
        return {}
    base = tree.at[[chain[0] for chain in chains]]
    ends = tree.at[[chain[-1] for chain in chains]]
    directions = ends - base
    directions /= np.linalg.norm(directions, axis=1, keepdims=True).clip(1e-12)
    # The thumb points away from the others and starts nearest to the wrist.
    apart = 1 - (directions @ directions.T).sum(axis=1) / len(chains)
    near = np.linalg.norm(base - tree.at[hand], axis=1)
    thumb = int(np.argmax(apart - near / near.max().clip(1e-12)))
    rest = [i for i in range(len(chains)) if i != thumb]
    rest.sort(key=lambda i: float(np.linalg.norm(base[i] - base[thumb])))
    called = {"Thumb": chains[thumb]}
    called.update({finger: chains[i] for finger, i in zip(_PALM, rest, strict=False)})
    return called


def _face(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:
    """Eyes and jaw, by name only."""
    found: dict[str, int] = {}
    if (head := joints.get("head")) is None:
        return found
    for joint in tree.skeleton.subtree(head)[1:].tolist():
        hint = tree.hints[joint]
        if hint.best == "jaw":
            found.setdefault("jaw", joint)
        elif hint.best == "Eye" and hint.side:
            found.setdefault(f"{hint.side}Eye", joint)
    return found


def _tail(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:
    """The longest chain called tail; without one, a silent chain of three joints or more behind the hips."""
    children, parents = tree.skeleton.children, tree.skeleton.parents
    called = {j for j, hint in enumerate(tree.hints) if hint.best == "tail"}
    starts = [j for j in called if parents[j] not in called]
    chains = [_follow(start, called, children) for start in starts]
    if not chains:
        chains = _silent_tails(tree, joints)
    longest = max(chains, key=len, default=())
    return {f"tail.{place}": joint for place, joint in enumerate(longest)}


def _follow(start: int, allowed: set[int], children: tuple[tuple[int, ...], ...]) -> tuple[int, ...]:
    chain = [start]
    while down := [c for c in children[chain[-1]] if c in allowed]:
        chain.append(down[0])
    return tuple(chain)


def _silent_tails(tree: BodyTree, joints: Mapping[str, int]) -> list[tuple[int, ...]]:
    left = tree.at[joints["leftUpperLeg"]] - tree.at[joints["rightUpperLeg"]]
    back = np.cross(UP, left)
    if not np.linalg.norm(back):
        return []
    hips, back, left = joints["hips"], back / np.linalg.norm(back), left / np.linalg.norm(left)
    used = {j for joint in joints.values() for j in tree.skeleton.path_to(joint)}
    chains = []
    for start in tree.skeleton.children[hips]:
        chain = tuple(j for j in tree.longest(start) if j not in tree.nubs)
        apart = tree.at[list(chain)] - tree.at[hips] if chain else np.zeros((1, 3))
        behind, aside = (apart @ back)[-1], np.abs(apart @ left).max()
        silent = start not in used and not any(tree.hints[j].parts or tree.helps(j) for j in chain)
        if silent and len(chain) >= 3 and behind > 0.05 * tree.size and aside < 0.05 * tree.size:
            chains.append(chain)
    return chains


def _props(tree: BodyTree, joints: Mapping[str, int]) -> dict[str, int]:  # noqa: ARG001 - one signature for all
    """Joints called prop or weapon: "prop.NAME" of the other words of the name."""
    found: dict[str, int] = {}
    for joint, hint in enumerate(tree.hints):
        if hint.best == "prop":
            rest = "_".join(word for word in hint.words if word != "prop") or str(joint)
            found[f"prop.{rest}" if f"prop.{rest}" not in found else f"prop.{tree.skeleton.names[joint]}"] = (
                joint
            )
    return found
