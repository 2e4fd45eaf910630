"""The steps of VRMC_springBone 1.0, for all joints of all chains of all runs at once.

A step needs the one before, so this is the one loop over time in the engine; it runs once over the longest
run, and each turn of it works on all runs and chains together. A joint also needs its parent's same step:
so joint k of a chain is k steps behind the first, and all of a chain's joints step in one turn.

Arrays have components first here, (3, N) and (4, N), so that each of them lies in one piece.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from ..base.checks import Array, Index, Mask

_TINY = 1e-12  # keeps divisions by a length finite; no bone is as short


@dataclass(frozen=True)
class Lanes:
    """The L joints that swing, in each of the runs.

    Attributes:
        parent: (L,) the swinging joint that carries each, -1 for one that the body carries.
        depth: (L,) how many swinging joints stand above each.
        axis: (3, L) the bone's direction in the joint's own axes, unit.
        length: (L,) of the bone, metres.
        radius: (L,) of the ball at its end, metres.
        centered: (L,) whether its speed counts in a center's space.
        colliders: (C, L) which colliders push each, in turn; -1 for none.
        collider_radius: (K,) metres.
        collider_side: (K,) 1 for those that push out of them, -1 for those that push into them.
        collider_flat: (K,) which are planes, whose ends are a point and the tip of their normal.
    """

    parent: Index
    depth: Index
    axis: Array
    length: Array
    radius: Array
    centered: Index
    colliders: Index
    collider_radius: Array
    collider_side: Array
    collider_flat: Mask


@dataclass(frozen=True)
class Drive:
    """What carries the chains, at T substeps: all runs one after another.

    Attributes:
        rotation: (4, T * L) of each joint as the clip holds it, in the space of the swinging joint above it
            or of the world.
        place: (3, T * L) of its head there, metres.
        one, other: (3, T * K) the ends of each collider, in the world, metres.
        center_rotation, center_place: (4, T * L) and (3, T * L) of the space that its speed counts in.
    """

    rotation: Array
    place: Array
    one: Array
    other: Array
    center_rotation: Array
    center_place: Array


@dataclass(frozen=True)
class Pull:
    """The numbers of each joint in R runs, for one of their steps.

    Attributes:
        keep: (R, L) the share of its speed that stays.
        stiffness: (R, L) metres towards where it is held.
        gravity: (3, R, L) metres.
    """

    keep: Array
    stiffness: Array
    gravity: Array


def step_runs(
    lanes: Lanes, drive: Drive, pull: Pull, first: Index, steps: Index, tail: Array, before: Array, out: Array
) -> tuple[Array, Array]:
    """Steps of R runs, the longest first.

    Args:
        lanes: the joints.
        drive: what carries them.
        pull: their numbers in these runs.
        first: (R,) the substep that each run starts at, of the T.
        steps: (R,) how many it makes, from the longest to the shortest.
        tail: (3, R, L) where the bones end at the start; in the center's space where a joint has one.
        before: (3, R, L) where they ended a step before.
        out: (3, T * L) takes each bone's direction in its held axes, at the substeps that are made.

    Returns:
        `tail` and `before` (3, R, L) after each run's last step.
    """
    runs, count = len(first), len(lanes.length)
    wide = runs * count
    lane = np.tile(np.arange(count), runs)
    depth = lanes.depth[lane]
    last = np.repeat(steps, count) - 1
    start = np.repeat(first, count) + 1
    run = np.repeat(np.arange(runs), count)
    # Place 0 stands for the world, which carries joints that no other swinging joint does.
    above = np.where(lanes.parent[lane] < 0, 0, run * count + lanes.parent[lane] + 1)
    axis, length = lanes.axis[:, lane], lanes.length[lane]
    keep, stiffness = pull.keep.reshape(-1), pull.stiffness.reshape(-1)
    gravity = pull.gravity.reshape(3, -1)
    tail, before = tail.reshape(3, -1).copy(), before.reshape(3, -1).copy()
    turned, heads = np.zeros((4, wide + 1)), np.zeros((3, wide + 1))
    turned[0] = 1.0
    has_center = bool(lanes.centered.any())
    deepest = int(lanes.depth.max(initial=0))
    for turn in range(int(steps.max(initial=0)) + deepest):
        on = int(np.searchsorted(-steps, deepest - turn, side="left")) * count
        step = turn - depth[:on]
        row = start[:on] + np.clip(step, 0, last[:on])
        flat = row * count + lane[:on]
        carrier = turned[:, above[:on]]
        held = _mul(carrier, drive.rotation[:, flat])
        head = heads[:, above[:on]] + _rotate(carrier, drive.place[:, flat])
        rest = _rotate(held, axis[:, :on])
        after = tail[:, :on] + (tail[:, :on] - before[:, :on]) * keep[:on]
        if has_center:
            center = drive.center_rotation[:, flat], drive.center_place[:, flat]
            after = _rotate(center[0], after) + center[1]
        after += stiffness[:on] * rest + gravity[:, :on] - head
        after *= length[:on] / np.maximum(_length(after), _TINY)
        for k in range(len(lanes.colliders)):
            after = _push(lanes, drive, k, lane[:on], row, head, after, length[:on])
        along = after / length[:on]
        end = head + after
        if has_center:
            end = _rotate(_inv(center[0]), end - center[1])
        done = np.flatnonzero((step >= 0) & (step <= last[:on]))
        before[:, done], tail[:, done] = tail[:, done], end[:, done]
        out[:, flat[done]] = _rotate(_inv(held[:, done]), along[:, done])
        turned[:, 1 : on + 1] = _mul(_between(rest, along), held)
        heads[:, 1 : on + 1] = head
    return tail.reshape(3, runs, count), before.reshape(3, runs, count)


def _push(
    lanes: Lanes, drive: Drive, k: int, lane: Index, row: Index, head: Array, bone: Array, length: Array
) -> Array:
    """The bones (3, N) from their heads, pushed by their k-th collider and back to their lengths."""
    which = lanes.colliders[k][lane]
    flat = row * len(lanes.collider_radius) + np.maximum(which, 0)
    one, shaft = drive.one[:, flat], drive.other[:, flat] - drive.one[:, flat]
    away = head + bone - one
    share = np.clip((away * shaft).sum(axis=0) / np.maximum((shaft * shaft).sum(axis=0), _TINY), 0.0, 1.0)
    flat_ones, side = lanes.collider_flat[which], lanes.collider_side[which]
    normal = shaft / np.maximum(_length(shaft), _TINY)
    over = (away * normal).sum(axis=0)
    away -= share * shaft
    far = _length(away)
    depth = np.where(flat_ones, over, side * (far - lanes.collider_radius[which])) - lanes.radius[lane]
    hit = (which >= 0) & (depth < 0)
    if not hit.any():
        return bone
    pushed = bone - np.where(flat_ones, normal, side * away / np.maximum(far, _TINY)) * depth
    pushed *= length / np.maximum(_length(pushed), _TINY)
    return np.where(hit, pushed, bone)


def _length(v: Array) -> Array:
    return np.asarray(np.sqrt((v * v).sum(axis=0)))


def _cross(u: Array, v: Array) -> Array:
    out = np.empty_like(v)
    out[0] = u[1] * v[2] - u[2] * v[1]
    out[1] = u[2] * v[0] - u[0] * v[2]
    out[2] = u[0] * v[1] - u[1] * v[0]
    return out


def _mul(a: Array, b: Array) -> Array:
    out = np.empty_like(b)
    out[0] = a[0] * b[0] - a[1] * b[1] - a[2] * b[2] - a[3] * b[3]
    out[1:] = a[0] * b[1:] + b[0] * a[1:] + _cross(a[1:], b[1:])
    return out


def _inv(q: Array) -> Array:
    out = -q
    out[0] = q[0]
    return out


def _rotate(q: Array, v: Array) -> Array:
    twice = 2.0 * _cross(q[1:], v)
    return np.asarray(v + q[0] * twice + _cross(q[1:], twice))


def _between(u: Array, v: Array) -> Array:
    """The shortest rotations (4, N) that take unit vectors (3, N) to others."""
    out = np.empty((4, u.shape[1]))
    out[0] = 1.0 + (u * v).sum(axis=0)
    out[1:] = _cross(u, v)
    opposite = out[0] < _TINY
    if opposite.any():  # any axis across does
        across = np.where(np.abs(u[0]) > np.abs(u[2]), [-u[1], u[0], 0 * u[0]], [0 * u[0], -u[2], u[1]])
        out[:, opposite] = np.concatenate([np.zeros((1, u.shape[1])), across])[:, opposite]
    return np.asarray(out / np.sqrt((out * out).sum(axis=0)))
