"""Takes that leave little to judge: each is said what it is, none crashes a stage, none is thrown about."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path
from xml.etree import ElementTree as ET

import numpy as np
import pytest

import corrupt
import open_data
import synthetic
from takemill.base.errors import BodyMapError
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh, write_bvh
from takemill.health.check import check
from takemill.maths import quat
from takemill.repair.repair import RepairSettings, repair
from takemill.shell import cli, console


@dataclass(frozen=True)
class Odd:
    """A take, and the finding that must say what is odd: its kind, its joint and a word of its message."""

    motion: Motion
    body: BodyMap
    kind: str
    joint: str
    word: str


def without(*ends: str) -> BodyMap:
    parts = {part: name for part, name in synthetic.parts().items() if not part.endswith(ends)}
    return BodyMap.from_names(synthetic.skeleton(), parts)


def tilted(motion: Motion, height_m: float) -> Motion:
    """A body on its back, the hips at that height."""
    back = quat.from_axis_angle(np.array([-1.0, 0, 0]), np.pi / 2)
    rotations = motion.rotations.copy()
    rotations[:, 0] = quat.mul(back, rotations[:, 0])
    path = motion.root_translation * [1, 1, 0] + [0, 0, height_m]
    return motion.with_rotations(rotations).with_translation(0, path)


def odd_takes() -> dict[str, Odd]:
    body = without("nothing")
    walk = corrupt.corrupt(synthetic.walk(steps=4).motion, 2).motion
    idle = corrupt.corrupt(synthetic.idle(duration_s=4).motion, 3).motion
    frozen = walk.rotations.copy()
    hand = walk.skeleton.index("left_hand")
    frozen[:, hand] = frozen[0, hand]
    t = np.arange(len(walk)) / walk.rate
    swim = walk.root_translation + np.stack([1.2 * t, 0.5 * np.sin(9 * t), 8 + 0.3 * np.sin(7 * t)], axis=-1)
    lying, _ = open_data.humanoid3d("getup_faceup")
    return {
        "one frame": Odd(walk.slice(0, 1), body, "too_short", "", "1 frame "),
        "two frames": Odd(walk.slice(0, 2), body, "too_short", "", "2 frames"),
        "shorter than the filter": Odd(walk.slice(0, 9), body, "too_short", "", "9 frames"),
        "all frames equal": Odd(
            walk.sampled(np.full(300, 7.0), 120.0), body, "dead_sensor", "", "never moves"
        ),
        "a joint frozen throughout": Odd(
            walk.with_rotations(frozen), body, "dead_sensor", "left_hand", "never moves"
        ),
        "no feet in the body map": Odd(walk, without("Foot", "Toes"), "no_feet", "", "no foot is mapped"),
        "feet never on the floor": Odd(walk.with_translation(0, swim), body, "no_feet", "", "ever planted"),
        "lying": Odd(tilted(idle, 0.12), body, "lying", "", "level"),
        "lying, then getting up": Odd(lying, find_body_map(lying.skeleton), "lying", "", "level"),
    }


@pytest.fixture(scope="module")
def takes() -> dict[str, Odd]:
    return odd_takes()


NAMES = (
    "one frame", "two frames", "shorter than the filter", "all frames equal", "a joint frozen throughout",
    "no feet in the body map", "feet never on the floor", "lying", "lying, then getting up",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES)
def test_the_odd_thing_is_found(takes: dict[str, Odd], name: str) -> None:
    odd = takes[name]
    health = check(odd.motion, odd.body)
    found = [one for one in health.findings if (one.kind, one.joint) == (odd.kind, odd.joint)]
    assert found
    assert all(odd.word in one.message for one in found)
    assert all(np.isfinite(value) for value in health.measures.values())
    assert odd.word in console.health_text(name, odd.motion, health)


@pytest.mark.parametrize("name", NAMES)
@pytest.mark.parametrize("settings", [RepairSettings(), RepairSettings(calibration=True)])
def test_it_is_neither_thrown_about_nor_bent(
    takes: dict[str, Odd], name: str, settings: RepairSettings
) -> None:
    """The path moves smoothly by less than half a metre, but for one new height of the floor."""
    odd = takes[name]
    repaired, findings = repair(odd.motion, odd.body, settings)
    for array in (repaired.rotations, repaired.root_translation):
        assert np.isfinite(array).all()
    assert all(np.isfinite(one.amount) for one in findings)
    away = repaired.root_translation - odd.motion.root_translation
    assert np.abs(away - away[0]).max() < 0.5
    assert np.abs(away[0, :2]).max() < 0.5
    turned = np.degrees(quat.angle_between(repaired.rotations, odd.motion.rotations))
    assert np.median(turned) < 2
    after = check(repaired, odd.body).measures
    assert all(np.isfinite(value) for value in after.values())


@pytest.mark.parametrize("name", ["walk", "run", "kick", "backflip", "cartwheel", "roll", "dance_a"])
def test_who_stands_runs_or_turns_over_does_not_lie(name: str) -> None:
    motion, _ = open_data.humanoid3d(name)
    kinds = {one.kind for one in check(motion.resampled(60.0), find_body_map(motion.skeleton)).findings}
    assert "lying" not in kinds
    assert "too_short" not in kinds


def test_a_body_of_hips_alone_is_checked_and_of_one_leg_is_refused() -> None:
    walk = synthetic.walk(steps=2).motion
    hips = BodyMap.from_names(walk.skeleton, {"hips": "hips"})
    assert "no foot is mapped" in " ".join(one.message for one in check(walk, hips).findings)
    assert np.isfinite(repair(walk, hips)[0].rotations).all()
    names = synthetic.parts()
    one_leg = {part: names[part] for part in ("hips", "leftUpperLeg", "leftLowerLeg", "leftFoot")}
    body = BodyMap.from_names(walk.skeleton, one_leg)
    for verb in (check, repair):
        with pytest.raises(BodyMapError, match="rightUpperLeg"):
            verb(walk, body)


@pytest.mark.parametrize("name", NAMES)
def test_it_goes_through_the_command_line(takes: dict[str, Odd], name: str, tmp_path, capsys) -> None:
    """Checked and repaired from a file without a word on stderr; a body without feet is told by a recipe."""
    odd = takes[name]
    write_bvh(tmp_path / "odd.bvh", odd.motion)
    parts = dict(odd.body.names(odd.motion.skeleton))
    parts |= {part: "" for part in ("leftFoot", "rightFoot", "leftToes", "rightToes") if part not in parts}
    lines = "".join(f'{part} = "{joint}"\n' for part, joint in parts.items())
    (tmp_path / "set.toml").write_text(f"[body]\n{lines}", encoding="utf-8")
    files = [str(tmp_path / one) for one in ("odd.bvh", "set.toml", "repaired.bvh", "page.html")]
    take, recipe, out, page = files
    assert cli.main(["check", take, "--recipe", recipe]) == 0
    assert odd.word in capsys.readouterr().out
    assert (
        cli.main(["repair", take, "-o", out, "--recipe", recipe, "--html", page, "--trim", "--calibrate"])
        == 0
    )
    said = re.sub(r"<style>.*?</style>", "", Path(page).read_text(encoding="utf-8"), flags=re.DOTALL)
    for text in (capsys.readouterr().out, said):
        assert not re.search(r"\b(nan|inf)\b", text)
    assert odd.word in said
    ET.fromstring(Path(page).read_text(encoding="utf-8").replace("<!DOCTYPE html>", ""))
    repaired, _ = read_bvh(out)
    assert len(repaired) == len(odd.motion)
    assert np.isfinite(repaired.rotations).all()
