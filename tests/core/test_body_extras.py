"""What hangs on a body: tails and props."""

from __future__ import annotations

import pytest

from takemill.body.body_map import find_body_map
from takemill.body.skeleton import Skeleton
from truth_bodies import (
    BANK,
    REAL,
    attached,
    nameless,
)


@pytest.fixture(params=list(REAL))
def real(request: pytest.FixtureRequest) -> tuple[Skeleton, dict[str, str], float]:
    """A skeleton, its truth by hand, and where it faces at rest in degrees."""
    build, truth, facing_deg = REAL[request.param]
    return build(), truth, facing_deg


@pytest.mark.parametrize(("stem", "silent"), [("tail.{}", False), ("Tail_{}_bone", False), ("t{}", True)])
def test_a_tail_is_a_chain_from_the_body_outwards(stem, silent):
    skeleton = REAL["bank"][0]()
    above = "Hips"
    for number in range(5):
        skeleton = attached(skeleton, stem.format(number), above, (0, 0.12, -0.04), (0, 0.1, 0))
        above = stem.format(number)
    names = {f"tail.{number}": stem.format(number) for number in range(5)}
    found = find_body_map(nameless(skeleton) if silent else skeleton)
    assert {part: skeleton.names[j] for part, j in found.joints.items()} == BANK | names
    assert [skeleton.names[j] for j in found.chain("tail")] == list(names.values())


@pytest.mark.parametrize("name", ["ponytail", "PonyTail", "pig_tail.L", "coatTail_01"])
def test_hair_or_cloth_called_a_tail_of_something_is_no_tail(name):
    skeleton = attached(REAL["bank"][0](), name, "Head", (0, 0.1, 0.1))
    assert find_body_map(skeleton).names(skeleton) == BANK


def test_props_keep_their_name():
    skeleton = attached(REAL["bank"][0](), "prop.lantern", "RightWrist", (-0.1, 0, 0), (-0.9, 0, 0))
    skeleton = attached(skeleton, "prop_oar_L", "LeftWrist", (0.1, 0, 0), (0.9, 0, 0))
    props = {"prop.lantern": "prop.lantern", "prop.oar_l": "prop_oar_L"}
    assert find_body_map(skeleton).names(skeleton) == BANK | props
