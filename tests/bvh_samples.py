"""Small BVH files as text, built piece by piece, and a slow reader that shares nothing with ours."""

from __future__ import annotations

import numpy as np
from scipy.spatial.transform import Rotation

from takemill.base.checks import Array

# Six joints and four end sites, two of them on one joint; the root moves, one joint has a single channel.
HEAD = """HIERARCHY
ROOT Hips
{
\tOFFSET 0.5 90.0 -0.25
\tCHANNELS 6 Xposition Yposition Zposition Zrotation Xrotation Yrotation
\tJOINT Chest
\t{
\t\tOFFSET 0.0 20.0 1.0
\t\tCHANNELS 3 Zrotation Xrotation Yrotation
\t\tEnd Site
\t\t{
\t\t\tOFFSET 0.0 30.0 0.0
\t\t}
\t}
\tJOINT LeftHip
\t{
\t\tOFFSET 10.0 0.0 0.0
\t\tCHANNELS 3 Xrotation Yrotation Zrotation
\t\tJOINT LeftKnee
\t\t{
\t\t\tOFFSET 0.0 -45.0 0.0
\t\t\tCHANNELS 1 Xrotation
\t\t\tEnd Site
\t\t\t{
\t\t\t\tOFFSET 0.0 -45.0 -5.0
\t\t\t}
\t\t\tEnd Site
\t\t\t{
\t\t\t\tOFFSET 0.0 -45.0 15.0
\t\t\t}
\t\t}
\t}
\tJOINT RightHip
\t{
\t\tOFFSET -10.0 0.0 0.0
\t\tCHANNELS 3 Yrotation Zrotation Xrotation
\t\tEnd Site
\t\t{
\t\t\tOFFSET 0.0 -90.0 0.0
\t\t}
\t}
}
"""
WIDTH = 16


def small(frames: int = 4, *, time: str = "0.0083333", seed: int = 0) -> str:
    """A whole file: HEAD and random numbers, places in tens of centimetres and angles up to 170 degrees."""
    rng = np.random.default_rng(seed)
    rows = rng.uniform(-170, 170, (frames, WIDTH)).round(4)
    lines = "".join(" ".join(map(str, row.tolist())) + "\n" for row in rows)
    return f"{HEAD}MOTION\nFrames: {frames}\nFrame Time: {time}\n{lines}"


def slow_read(text: str) -> tuple[list[str], Array, Array]:
    """Names, and world matrices (F, J, 3, 3) and positions (F, J, 3) in file units and axes.

    Word by word, with SciPy's rotations (intrinsic Euler angles, upper case) and one matrix per joint.
    """
    words = iter(text.split())
    joints: list[dict] = []
    stack: list[dict] = []
    waiting: dict = {}
    for word in words:
        if word in ("ROOT", "JOINT"):
            waiting = {"name": next(words), "parent": stack[-1] if stack else None, "channels": []}
            joints.append(waiting)
        elif word == "End":
            next(words)
            waiting = {}
        elif word == "{":
            stack.append(waiting)
        elif word == "}":
            stack.pop()
        elif word == "OFFSET":
            stack[-1]["offset"] = np.array([float(next(words)) for _ in range(3)])
        elif word == "CHANNELS":
            stack[-1]["channels"] = [next(words) for _ in range(int(next(words)))]
        elif word == "MOTION":
            break
    next(words)
    count = int(next(words))
    [next(words) for _ in range(3)]
    turns, places = np.empty((count, len(joints), 3, 3)), np.empty((count, len(joints), 3))
    for frame in range(count):
        for number, joint in enumerate(joints):
            values = [float(next(words)) for _ in joint["channels"]]
            place = joint["offset"].copy()
            turn = np.eye(3)
            for channel, value in zip(joint["channels"], values, strict=True):
                if channel.endswith("position"):
                    place["XYZ".index(channel[0])] = value
                else:
                    turn = turn @ Rotation.from_euler(channel[0], value, degrees=True).as_matrix()
            if joint["parent"]:
                above = joint["parent"]
                place, turn = above["place"] + above["turn"] @ place, above["turn"] @ turn
            joint["place"], joint["turn"] = place, turn
            turns[frame, number], places[frame, number] = turn, place
    return [joint["name"] for joint in joints], turns, places
