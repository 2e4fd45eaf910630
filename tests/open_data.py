"""Real motion from open data that the package registries carry, fetched once into a cache.

| function | source | licence |
|---|---|---|
| `humanoid3d` | reference motions of DeepMimic (Peng et al. 2018) in the `pybullet` wheel | zlib |
| `cmu` | CMU-derived trajectories and the humanoid_CMU_V2019 model in the `dm-control` wheel | Apache-2.0 |
| `bvh_files` | the example files of the `bvhtoolbox` source distribution | MIT |
| `body_measures` | ANSUR II (Gordon et al. 2014), in the `nimblephysics` wheel | public domain |
| `model_ranges_deg` | the joint ranges of the model of Rajagopal et al. 2016, in the same wheel | MIT |

The files land in `TAKEMILL_CACHE`, or in ~/.cache/takemill.
"""

from __future__ import annotations

import csv
import fnmatch
import hashlib
import json
import os
import shutil
import subprocess
import sys
import tarfile
import tempfile
import zipfile
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import numpy as np

from need import need
from takemill.base.checks import Array
from takemill.body.motion import Motion
from takemill.body.skeleton import Skeleton
from takemill.maths import quat

HUMANOID3D = (
    "walk", "run", "jump", "punch", "kick", "spinkick", "spin", "backflip", "cartwheel", "roll", "crawl",
    "dance_a", "dance_b", "getup_facedown", "getup_faceup",
    "walker/0walk_forward", "walker/turn_left0", "walker/turn_left1", "walker/turn_right0",
    "walker/turn_right1",
)  # fmt: skip


@dataclass(frozen=True)
class _Package:
    requirement: str
    options: tuple[str, ...]
    members: tuple[str, ...]


_WHEEL = ("--only-binary=:all:",)
_PYBULLET = _Package(
    "pybullet==3.2.7",
    (*_WHEEL, "--python-version", "3.11", "--platform", "manylinux2014_x86_64"),
    ("pybullet_data/data/motions/*.txt", "pybullet_data/humanoid/humanoid.urdf"),
)
_DM_CONTROL = _Package(
    "dm-control==1.0.50",
    _WHEEL,
    ("*/mocap/test_trajectories.h5", "*/walkers/assets/humanoid_CMU_V2019.xml"),
)
_BVHTOOLBOX = _Package(
    "bvhtoolbox==0.1.3", ("--no-binary=:all:",), ("*/tests/example_files/*.bvh", "*/LICENSE")
)
_NIMBLEPHYSICS = _Package(
    "nimblephysics==0.10.52.1",
    (*_WHEEL, "--python-version", "3.11", "--platform", "manylinux_2_28_x86_64"),
    ("*/rajagopal_data/ANSUR_II_*_Public.csv", "*/rajagopal_data/Rajagopal2015.osim"),
)


def humanoid3d(name: str) -> tuple[Motion, bool]:
    """A DeepMimic reference motion, Z-up, facing +X, and whether it wraps (its end leads into its start).

    `name` is one of HUMANOID3D. The joints are those of the wheel's humanoid.urdf, with tips for the top of
    the head, the hands, and the heel and toe of each foot. The rate is the file's, a whole number.
    """
    folder = _fetched(_PYBULLET) / "pybullet_data"
    stem = name if "/" in name else f"humanoid3d_{name}"
    record = json.loads((folder / f"data/motions/{stem}.txt").read_text())
    frames = np.array(record["Frames"])
    skeleton = _urdf_skeleton(folder / "humanoid/humanoid.urdf")
    # The frame's layout: pybullet_envs/deep_mimic/env/humanoid_pose_interpolator.py, Slerp.
    rotations = np.broadcast_to(quat.IDENTITY, (len(frames), len(skeleton), 4)).copy()
    column = 4
    for joint in _FRAME_JOINTS:
        place = skeleton.index(joint)
        if joint.endswith(("knee", "elbow")):
            rotations[:, place] = quat.from_axis_angle(np.array([0.0, 0.0, 1.0]), frames[:, column])
            column += 1
        else:
            rotations[:, place] = frames[:, column : column + 4]
            column += 4
    durations = frames[:-1, 0]
    rate = float(round(1 / np.median(durations)))
    motion = Motion(skeleton, rate, _z_up_rotations(rotations), _z_up(frames[:, 1:4]))
    if np.ptp(durations) > 1e-4:  # "roll" holds one frame twice as long as the others
        times = np.concatenate([[0.0], np.cumsum(durations)])
        even = np.arange(int(times[-1] * rate + 1e-3) + 1) / rate
        motion = motion.sampled(np.interp(even, times, np.arange(len(times))), rate)
    return motion, record["Loop"] == "wrap"


_FRAME_JOINTS = (
    "root", "chest", "neck", "right_hip", "right_knee", "right_ankle", "right_shoulder", "right_elbow",
    "left_hip", "left_knee", "left_ankle", "left_shoulder", "left_elbow",
)  # fmt: skip
_URDF_SCALE = 0.25  # pybullet_envs/deep_mimic/env/humanoid_stable_pd.py: globalScaling


@cache
def _urdf_skeleton(path: Path) -> Skeleton:
    text = path.read_text()
    robot = ET.fromstring(text[: text.rindex(">") + 1])  # a stray character ends the wheel's file
    names, parents, offsets = ["root"], [-1], [np.zeros(3)]
    for joint in robot.iter("joint"):
        if joint.get("name") != "root":
            names.append(joint.get("name", ""))
            parents.append(names.index(joint.find("parent").get("link")))  # type: ignore[union-attr, arg-type]
            offsets.append(_numbers(joint.find("origin").get("xyz")))  # type: ignore[union-attr]
    shapes = {
        link.get("name"): (
            _numbers(link.find("collision/origin").get("xyz")),  # type: ignore[union-attr]
            link.find("collision/geometry")[0],  # type: ignore[index]
        )
        for link in robot.iter("link")
        if link.find("collision") is not None
    }
    tips: list[tuple[int, Array]] = []
    for name, sign in (("neck", 1.0), ("right_wrist", -1.0), ("left_wrist", -1.0)):
        center, sphere = shapes[name]
        reach = np.array([0.0, sign * float(sphere.get("radius", "0")), 0.0])
        tips.append((names.index(name), center + reach))
    for name in ("right_ankle", "left_ankle"):  # the foot is a box: heel and toe at its sole
        center, box = shapes[name]
        half = _numbers(box.get("size")) / 2
        for sign in (-1.0, 1.0):
            tips.append((names.index(name), center + half * np.array([sign, -1.0, 0.0])))
    return Skeleton(
        tuple(names),
        tuple(parents),
        _z_up(np.array(offsets)) * _URDF_SCALE,
        np.broadcast_to(quat.IDENTITY, (len(names), 4)),
        tuple(joint for joint, _ in tips),
        _z_up(np.array([offset for _, offset in tips])) * _URDF_SCALE,
    )


def repeated(motion: Motion, count: int) -> Motion:
    """A wrap motion `count` times over: each copy starts at the place and heading where the last one ended.

    The last frame of a cycle is the first of the next (getCycleTime of the wheel's motion_capture_data.py),
    so F frames become count * (F - 1) + 1.
    """
    root, position = motion.rotations[:, 0], motion.root_translation
    turn = quat.yaw(quat.mul(root[-1], quat.inv(root[0])))
    flat = np.array([1.0, 1.0, 0.0])
    rotations, positions = [], []
    spot = position[0] * flat
    for cycle in range(count):
        stop = len(motion) if cycle == count - 1 else len(motion) - 1
        heading = quat.from_yaw(cycle * turn)
        local = motion.rotations[:stop].copy()
        local[:, 0] = quat.mul(heading, local[:, 0])
        rotations.append(local)
        positions.append(quat.rotate(heading, position[:stop] - position[0] * flat) + spot)
        spot = spot + quat.rotate(heading, (position[-1] - position[0]) * flat)
    return Motion(motion.skeleton, motion.rate, np.concatenate(rotations), np.concatenate(positions))


CMU = ("cmuv2019_001", "cmuv2019_002")


def cmu(name: str | int = 0) -> Motion:
    """A trajectory of the `dm-control` wheel on the CMU humanoid: ten frames at 20 per second, Z-up.

    `name` is one of CMU or its place there. At rest the model stands upright, facing -Y; its joints have rest
    rotations. Tips: top of the head, fingers, and the heel and toe at each sole.
    """
    with _trajectories() as file:
        clip = file[CMU[name] if isinstance(name, int) else name]
        walker = clip["walkers/walker_0"]
        rate = 1 / float(clip.attrs["dt"])
        position, turn, angles = (walker[key][()].T for key in ("position", "quaternion", "joints"))
    skeleton, hinges = _cmu_model()
    rotations = np.tile(skeleton.rest_rotation, (len(position), 1, 1))
    rotations[:, 0] = turn
    column = 0
    for joint in range(len(skeleton)):  # MuJoCo turns a body by its hinges in the order in which they stand
        for axis in hinges[joint]:
            rotations[:, joint] = quat.mul(rotations[:, joint], quat.from_axis_angle(axis, angles[:, column]))
            column += 1
    return Motion(skeleton, rate, rotations, position)


def cmu_body_positions(name: str | int = 0) -> Array:
    """World positions (F, 30, 3) that the trajectory itself holds for all bodies but the root."""
    with _trajectories() as file:
        clip = file[CMU[name] if isinstance(name, int) else name]
        return clip["walkers/walker_0/body_positions"][()].T.reshape(-1, 30, 3)


def _trajectories() -> Any:
    import h5py

    return h5py.File(next(_fetched(_DM_CONTROL).rglob("test_trajectories.h5")))


# Body -> tips in its frame, from the touch sites and the capsules of the model.
_CMU_TIPS = {
    "head": (0, 0.142, 0), "fingers": (0, -0.05, 0), "foot": (0, 0.02, -0.05), "toes": (0, -0.01, -0.04)
}  # fmt: skip


@cache
def _cmu_model() -> tuple[Skeleton, list[list[Array]]]:
    """The skeleton of humanoid_CMU_V2019.xml, and the axes of each joint's hinges in their order."""
    model = ET.parse(next(_fetched(_DM_CONTROL).rglob("humanoid_CMU_V2019.xml"))).getroot()
    names, parents, offsets, turns, hinges = [], [], [], [], []
    waiting = [(model.find("worldbody/body"), -1)]
    while waiting:
        body, parent = waiting.pop()
        parents.append(parent)
        names.append(body.get("name"))
        offsets.append(_numbers(body.get("pos", "0 0 0")))
        turns.append(_numbers(body.get("quat", "1 0 0 0")))
        hinges.append([_numbers(hinge.get("axis")) for hinge in body.findall("joint")])
        waiting += [(child, len(names) - 1) for child in reversed(body.findall("body"))]
    turns[0] = quat.from_axis_angle(np.array([1.0, 0.0, 0.0]), np.pi / 2)  # the model's spine lies along +Y
    tips = [
        (joint, tip)
        for joint, name in enumerate(names)
        for part, tip in _CMU_TIPS.items()
        if name.removeprefix("l").removeprefix("r") == part
    ]
    skeleton = Skeleton(
        tuple(names),
        tuple(parents),
        np.array(offsets),
        quat.normalize(np.array(turns)),
        tuple(joint for joint, _ in tips),
        np.array([tip for _, tip in tips], np.float64),
    )
    return skeleton, hinges


def bvh_files() -> list[Path]:
    """The two example BVH files of the `bvhtoolbox` source distribution, in the order of their names."""
    return sorted(_fetched(_BVHTOOLBOX).rglob("*.bvh"))


def body_measures() -> dict[str, Array]:
    """The measures of 6,068 people, each (N,) by its name in the survey, in millimetres."""
    rows: list[dict[str, str]] = []
    for path in sorted(_fetched(_NIMBLEPHYSICS).glob("*/models/rajagopal_data/*.csv")):
        with path.open(encoding="latin-1", newline="") as file:
            rows += [{name.lower(): value for name, value in row.items()} for row in csv.DictReader(file)]
    names = [name for name, value in rows[0].items() if value.isdecimal()]
    return {name: np.array([float(row[name]) for row in rows]) for name in names if name in rows[-1]}


def model_ranges_deg() -> dict[str, tuple[float, float]]:
    """The range of each coordinate that turns a joint of the model's right side, in degrees."""
    (path,) = _fetched(_NIMBLEPHYSICS).glob("*/models/rajagopal_data/*.osim")
    found = {}
    for one in ET.parse(path).iter("Coordinate"):
        low, high = np.degrees(_numbers(one.findtext("range")))
        found[one.get("name", "")] = (float(low), float(high))
    return {name: limits for name, limits in found.items() if name.endswith("_r")}


def _numbers(text: str | None) -> Array:
    return np.array((text or "").split(), dtype=np.float64)


def _z_up(vectors: Array) -> Array:
    """Y-up vectors (..., 3) in Z-up: x, -z, y."""
    return vectors[..., [0, 2, 1]] * np.array([1.0, -1.0, 1.0])


def _z_up_rotations(rotations: Array) -> Array:
    return np.concatenate([rotations[..., :1], _z_up(rotations[..., 1:])], axis=-1)


@cache
def _fetched(package: _Package) -> Path:
    """The folder that holds the members of a package that we use; downloaded once."""
    root = Path(os.environ.get("TAKEMILL_CACHE") or Path.home() / ".cache" / "takemill")
    # Another choice of members gets another folder, so that an old cache is never short of a file.
    stamp = hashlib.sha256(repr(package).encode()).hexdigest()[:8]
    folder = root / f"{package.requirement.replace('==', '-')}-{stamp}"
    if folder.is_dir():
        return folder
    root.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory(dir=root) as scratch:
        place = Path(scratch)
        command = [sys.executable, "-m", "pip", "download", "--quiet", "--no-deps", *package.options]
        run = subprocess.run(
            [*command, "--dest", str(place), package.requirement], capture_output=True, text=True, check=False
        )
        archives = [path for path in place.iterdir() if path.is_file()]
        need(
            run.returncode == 0 and archives,
            f"pip download {package.requirement}: {run.stderr.strip()[-300:]}",
        )
        _unpack(archives[0], package.members, place / "members")
        try:
            (place / "members").rename(folder)
        except OSError:  # another test run was first
            shutil.rmtree(place / "members")
    return folder


def _unpack(archive: Path, patterns: tuple[str, ...], folder: Path) -> None:
    def wanted(name: str) -> bool:
        return any(fnmatch.fnmatch(name, pattern) for pattern in patterns)

    if archive.suffix == ".whl":
        with zipfile.ZipFile(archive) as wheel:
            wheel.extractall(folder, [name for name in wheel.namelist() if wanted(name)])
    else:
        with tarfile.open(archive) as source:
            source.extractall(folder, [info for info in source if wanted(info.name)], filter="data")
