from __future__ import annotations

from itertools import combinations
from typing import Any

import numpy as np
import pytest

import bad_channels
import corrupt
import open_data
import synthetic
from clean_takes import clean_take
from takemill.body.body_map import BodyMap, find_body_map
from takemill.body.motion import Motion
from takemill.files.bvh import read_bvh
from takemill.health import swaps as swaps_file
from takemill.health.finding import Finding
from takemill.health.joint_limits import body_findings
from takemill.health.swaps import swapped_pairs
from takemill.maths import quat

# Per motion, the part of each pair that may not be found: what moves alike on both sides, or never turns.
SYMMETRIC = {
    "jump": {"UpperLeg", "LowerLeg", "Foot"},
    "backflip": {"Foot"},
    "crawl": {"Foot"},
}
NAMES = ("walk", "run", "jump", "punch", "kick", "spinkick", "backflip", "crawl", "getup_faceup", "dance_a",
         "walker/turn_left0", "bvh 0", "bvh 1")  # fmt: skip
PARTS = [(part, "T") for part in (*bad_channels.ARMS, *bad_channels.LEGS)]
PARTS += [("UpperArm", "hanging"), ("LowerArm", "hanging")]
WORDS = {"UpperArm": "upper arms", "LowerArm": "forearms", "Hand": "hands",
         "UpperLeg": "thighs", "LowerLeg": "shins", "Foot": "feet"}  # fmt: skip


def of(name: str) -> tuple[Motion, BodyMap]:
    kind, _, number = name.partition(" ")
    if kind == "bvh":
        motion = read_bvh(open_data.bvh_files()[int(number)])[0]
    elif kind == "cmu":
        motion = open_data.cmu(int(number))
    else:
        motion = open_data.humanoid3d(name)[0]
    return motion, find_body_map(motion.skeleton)


@pytest.mark.parametrize("name", NAMES)
def test_each_exchanged_pair_is_found_and_no_other(name: str) -> None:
    motion, body = of(name)
    for part, held in PARTS:
        if part in SYMMETRIC.get(name, ()) or (name, part, held) == ("jump", "LowerArm", "hanging"):
            continue
        found = swapped_pairs(bad_channels.exchanged(motion, body, part, held), body)
        assert len(found) == 1, (part, held)
        (finding,) = found
        assert WORDS[part] in named(finding)
        assert (finding.kind, finding.start, finding.stop, finding.repaired) == (
            "swapped",
            0,
            len(motion),
            False,
        )
        assert finding.amount >= 1.5


def named(finding: Finding) -> list[str]:
    """The exchanges that a finding names."""
    return finding.message.split(" seem ")[0].removeprefix("the sensors of both ").split(", or ")


@pytest.mark.parametrize("name", ["walk", "run", "punch", "dance_a", "bvh 1"])
def test_two_pairs_of_a_limb_exchanged_are_found_as_such(name: str) -> None:
    motion, body = of(name)
    for limb in (bad_channels.ARMS, bad_channels.LEGS):
        for pairs in combinations(limb, 2):
            (finding,) = swapped_pairs(bad_channels.exchanged(motion, body, pairs), body)
            assert " and ".join(WORDS[part] for part in pairs) in named(finding)


@pytest.mark.parametrize("name", [*open_data.HUMANOID3D, "bvh 0", "bvh 1"])
def test_whole_arms_exchanged_are_found(name: str) -> None:
    motion, body = of(name)
    (finding,) = swapped_pairs(bad_channels.exchanged(motion, body, bad_channels.ARMS), body)
    assert named(finding) == ["whole arms"]
    assert finding.joint == motion.skeleton.names[body.require("leftUpperArm")]
    assert finding.amount >= 1.5


# One short step, arms that all but hang still: nothing tells. A jump swings both arms alike.
UNTOLD_ARMS = {"walker/turn_right0", "walker/turn_right1", "bvh 0", "jump"}


@pytest.mark.parametrize("name", [*open_data.HUMANOID3D, "bvh 0", "bvh 1"])
def test_whole_arms_exchanged_after_hanging_calibration_are_found(name: str) -> None:
    motion, body = of(name)
    found = swapped_pairs(bad_channels.exchanged(motion, body, bad_channels.ARMS, "hanging"), body)
    if name in UNTOLD_ARMS:
        assert found == []
    else:
        assert "whole arms" in named(found[0])


# Crawling, standing with the feet apart, turns of a step or two: nothing tells.
UNTOLD_LEGS = {"crawl", "bvh 1", "walker/turn_right0", "walker/turn_right1"}


@pytest.mark.parametrize("name", [*open_data.HUMANOID3D, "bvh 0", "bvh 1"])
def test_whole_legs_exchanged_are_found(name: str) -> None:
    motion, body = of(name)
    motion = open_data.repeated(motion, 5) if name == "run" else motion
    swapped = bad_channels.exchanged(motion, body, bad_channels.LEGS)
    found = swapped_pairs(swapped, body)
    if name in UNTOLD_LEGS:
        assert found == []
        return
    (finding,) = found
    assert named(finding) == ["whole legs"]
    assert (finding.start, finding.stop, finding.unit) == (0, len(motion), "deg")
    legs = [body.require(side + part) for side in ("left", "right") for part in bad_channels.LEGS]
    off = quat.angle_between(swapped.model()[0][:, legs], motion.model()[0][:, legs])
    assert finding.amount == pytest.approx(np.degrees(off).mean(), rel=0.1)


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", ["walk", "run", "punch", "kick", "spin", "jump"])
def test_whole_legs_exchanged_under_noise_spikes_and_freezes(name: str, seed: int) -> None:
    motion = corrupt.corrupt(clean_take(name), seed).motion
    body = find_body_map(motion.skeleton)
    assert swapped_pairs(motion, body) == []
    (finding,) = swapped_pairs(bad_channels.exchanged(motion, body, bad_channels.LEGS), body)
    assert named(finding) == ["whole legs"]


def test_arms_and_legs_exchanged_are_two_findings() -> None:
    motion, body = of("punch")
    both = bad_channels.exchanged(motion, body, (*bad_channels.ARMS, *bad_channels.LEGS))
    assert [named(one) for one in swapped_pairs(both, body)] == [["whole arms"], ["whole legs"]]


def test_thighs_that_turn_alike_say_the_same_exchanged() -> None:
    """In motion that is the same on both sides no rotation tells an exchange, since none is changed by it."""
    idle = synthetic.idle().motion
    body = BodyMap.from_names(idle.skeleton, synthetic.parts())
    rotations = np.tile(idle.skeleton.rest_rotation, (len(idle), 1, 1))
    bend = quat.exp(np.radians(40 * np.sin(np.arange(len(idle)) / 50))[:, None] * [1.0, 0.0, 0.0])
    for side in ("left", "right"):
        rotations[:, idle.skeleton.index(f"{side}_upper_leg")] = bend
        rotations[:, idle.skeleton.index(f"{side}_lower_leg")] = quat.inv(bend)
    squats = idle.with_rotations(rotations)
    for parts in ("UpperLeg", "LowerLeg", "Foot", bad_channels.LEGS):
        swapped = bad_channels.exchanged(squats, body, parts)
        assert np.degrees(quat.angle_between(swapped.rotations, squats.rotations)).max() < 1e-6
        assert swapped_pairs(swapped, body) == []


def test_what_is_not_found_in_a_jump_changes_it_little() -> None:
    """Thighs, shins or feet of a jump exchanged: the bones end up 12 to 14 degrees off on average."""
    motion, body = of("jump")
    for part in bad_channels.LEGS:
        swapped = bad_channels.exchanged(motion, body, part)
        joints = [body.require(side + part) for side in ("left", "right")]
        off = np.degrees(quat.angle_between(swapped.model()[0][:, joints], motion.model()[0][:, joints]))
        assert 10 < off.mean() < 15


@pytest.mark.parametrize("name", [*open_data.HUMANOID3D, "bvh 0", "bvh 1", "cmu 0", "cmu 1"])
def test_undamaged_motion_has_no_bad_channel(name: str) -> None:
    motion, body = of(name)
    kinds = {finding.kind for finding in body_findings(motion, body)}
    assert kinds <= {"joint_limit"}


@pytest.mark.parametrize("name", ["walk", "spinkick", "dance_a"])
def test_noise_and_spikes_are_no_exchange_and_hide_none(name: str) -> None:
    motion, body = of(name)
    noisy = corrupt.corrupt(motion, 3).motion
    assert swapped_pairs(noisy, body) == []
    (finding,) = swapped_pairs(bad_channels.exchanged(noisy, body, "LowerLeg"), body)
    assert "shins" in finding.message


def test_the_joint_is_named_and_nothing_changes() -> None:
    motion, body = of("walk")
    swapped = bad_channels.exchanged(motion, body, "Foot")
    before = swapped.rotations.copy()
    (finding,) = swapped_pairs(swapped, body)
    assert finding.joint == "left_ankle"
    assert np.array_equal(swapped.rotations, before)


def test_motion_alike_on_both_sides_tells_nothing() -> None:
    idle = synthetic.idle().motion
    still = idle.with_rotations(np.tile(idle.skeleton.rest_rotation, (len(idle), 1, 1)))
    body = BodyMap.from_names(idle.skeleton, synthetic.parts())
    for part in ("UpperLeg", "LowerLeg", "Foot"):
        assert swapped_pairs(bad_channels.exchanged(still, body, part), body) == []


def test_bodies_that_are_not_mapped_whole_are_left_alone() -> None:
    motion, body = of("walk")
    parts = {part: name for part, name in body.names(motion.skeleton).items() if "Foot" not in part}
    fewer = BodyMap.from_names(motion.skeleton, parts)
    assert swapped_pairs(bad_channels.exchanged(motion, body, "LowerLeg"), fewer) == []
    assert swapped_pairs(motion.slice(0, 1), body) == []


@pytest.mark.parametrize("axis", ["along", "up"])
@pytest.mark.parametrize("name", ["walk", "run", "backflip", "crawl", "bvh 1"])
def test_a_foot_turned_over_is_found_and_the_other_not(name: str, axis: str) -> None:
    motion, body = of(name)
    for part in body.feet:
        turned = bad_channels.turned_over(motion, body, part, axis)
        found = [one for one in body_findings(turned, body) if one.kind == "flipped"]
        assert {one.joint for one in found} == {motion.skeleton.names[body.require(part)]}
        assert sum(one.stop - one.start for one in found) > 0.5 * len(motion)


def test_the_exchange_itself_is_right() -> None:
    """A left arm lifted forward from hanging comes out as a right arm lifted forward."""
    idle = synthetic.idle().motion
    body = BodyMap.from_names(idle.skeleton, synthetic.parts())
    rotations = np.tile(idle.skeleton.rest_rotation, (3, 1, 1))
    front = np.array([0.0, -1.0, 0.0])
    for side, aside in (("left", -1), ("right", 1)):
        rotations[:, idle.skeleton.index(f"{side}_upper_arm")] = quat.from_axis_angle(
            front, aside * np.pi / 2
        )
    arm = idle.skeleton.index("left_upper_arm")
    lift = quat.from_axis_angle(np.array([-1.0, 0, 0]), np.pi / 2)
    rotations[:, arm] = quat.mul(lift, rotations[:, arm])
    raised = Motion(idle.skeleton, 60.0, rotations, idle.root_translation[:3])
    at = bad_channels.exchanged(raised, body, "UpperArm", "hanging").model()[1][1]
    for side, aim in (("right", front), ("left", [0, 0, -1])):
        upper, lower = (idle.skeleton.index(f"{side}_{part}") for part in ("upper_arm", "lower_arm"))
        bone = at[lower] - at[upper]
        assert bone / np.linalg.norm(bone) == pytest.approx(aim, abs=1e-9)


class Standing:
    """A walk of which is known which exchanges leave the legs on the wrong sides."""

    def __init__(self, wrong: set[str], exchanged: str = "") -> None:
        self.wrong, self.exchanged = wrong, exchanged

    def with_exchanged(self, parts: str) -> Standing:
        return Standing(self.wrong, parts)

    def find_exchanged_legs(self) -> bool:
        return self.exchanged in self.wrong


@pytest.mark.parametrize(
    ("wrong", "kept"),
    [({"a"}, ["b", "c"]), ({"a", "c"}, ["b"]), (set(), ["a", "b", "c"]), ({"a", "b", "c"}, ["a", "b", "c"])],
)
def test_of_exchanges_that_explain_as_much_those_stay_that_leave_legs_on_their_sides(wrong, kept) -> None:
    """All of them where none does: then the joints alone must tell."""
    walk: Any = Standing(wrong)
    assert list(swaps_file._Walk.keep_standing(walk, ["a", "b", "c"])) == kept
    assert list(swaps_file._Walk.keep_standing(walk, ["a"])) == ["a"]
