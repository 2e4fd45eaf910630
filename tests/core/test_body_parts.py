"""The map itself: parts, joints, names."""

from __future__ import annotations

import pytest

from takemill.base.errors import BodyMapError
from takemill.body.body_map import HUMANOID, BodyMap, find_body_map
from takemill.body.skeleton import Skeleton
from truth_bodies import REAL


@pytest.fixture(params=list(REAL))
def real(request: pytest.FixtureRequest) -> tuple[Skeleton, dict[str, str], float]:
    """A skeleton, its truth by hand, and where it faces at rest in degrees."""
    build, truth, facing_deg = REAL[request.param]
    return build(), truth, facing_deg


def test_humanoid_parts_are_those_of_vrm():
    """VRMC_vrm-1.0, humanoid.md: 55 humanoid bones, hips the only one without a parent."""
    assert len(HUMANOID) == 55
    assert [part for part, above in HUMANOID.items() if above is None] == ["hips"]
    assert set(filter(None, HUMANOID.values())) <= set(HUMANOID)
    assert HUMANOID["leftShoulder"] == "upperChest"
    assert HUMANOID["rightThumbMetacarpal"] == "rightHand"
    assert HUMANOID["leftLittleDistal"] == "leftLittleIntermediate"


def test_a_map_answers_for_parts_and_joints():
    body = BodyMap({"hips": 0, "leftFoot": 3, "tail.0": 5, "tail.1": 6, "prop.oar": 7, "root": 8})
    assert body.get("hips") == 0
    assert body.get("head") is None
    assert body.require("leftFoot") == 3
    assert body.part_of(3) == "leftFoot"
    assert body.part_of(4) is None
    assert body.chain("tail") == (5, 6)
    assert body.chain("ear") == ()
    assert body.feet == ("leftFoot",)
    with pytest.raises(BodyMapError, match="'head'"):
        body.require("head")


def test_names_make_the_same_map_again(real):
    skeleton, _, _ = real
    body = find_body_map(skeleton)
    assert BodyMap.from_names(skeleton, body.names(skeleton)) == body


@pytest.mark.parametrize(
    ("names", "complaint"),
    [
        ({"hips": "nobody"}, "'nobody'"),
        ({"hip": "Hips"}, "no part 'hip'"),
        ({"tail": "Hips"}, "no part 'tail'"),
        ({"hips": "Hips", "spine": "Hips"}, "both 'hips' and 'spine'"),
    ],
)
def test_a_wrong_map_is_refused(names, complaint):
    skeleton = REAL["bank"][0]()
    with pytest.raises(BodyMapError, match=complaint):
        BodyMap.from_names(skeleton, names)
