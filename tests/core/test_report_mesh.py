"""What a report draws of a character: skinned meshes, and such as a joint carries as they are."""

from __future__ import annotations

import numpy as np

import fit_bodies
import rigs
from takemill.files.glb_read import GlbScene
from takemill.files.glb_read_skin import read_drawn, read_skinned
from takemill.sets.report_mesh import mesh_of

SKELETON = fit_bodies.body(fit_bodies.TOON)[0]
HAND, AT, STAGE_AT = "leftHand", (0.1, 0.2, 0.3), (5.0, 0.0, 0.0)


def with_lantern(json) -> None:
    """The mesh again without its skin: below a node that hangs on a hand, and once beside the character."""
    skinned = next(node for node in json["nodes"] if "skin" in node)
    count, hand = len(json["nodes"]), next(node for node in json["nodes"] if node.get("name") == HAND)
    lantern = {"mesh": skinned["mesh"], "scale": [2.0, 2.0, 2.0]}
    json["nodes"] += [{"translation": AT, "children": [count + 1]}, lantern]
    json["nodes"].append({"mesh": skinned["mesh"], "translation": STAGE_AT})
    hand["children"] = [*hand.get("children", ()), count]
    json["scenes"][0]["nodes"].append(count + 2)


def test_meshes_that_a_joint_carries_are_drawn_and_not_judged() -> None:
    plain = GlbScene(rigs.character(SKELETON), "it")
    scene = GlbScene(rigs.changed(rigs.character(SKELETON), with_lantern), "it")
    worn, drawn = read_skinned(scene), read_drawn(scene)
    assert len(worn.points) == len(read_skinned(plain).points)
    assert len(drawn.points) == 2 * len(worn.points)  # what stands beside the character is left out
    lantern = slice(len(worn.points), None)
    (bind,) = np.unique(drawn.slots[lantern][drawn.weights[lantern] > 0])
    assert drawn.joints[bind] == HAND
    np.testing.assert_allclose(drawn.weights[lantern].sum(axis=1), 1.0)
    np.testing.assert_allclose(drawn.binds[bind][:3, 3], AT)
    np.testing.assert_allclose(drawn.binds[bind][:3, :3], 2 * np.eye(3))
    triangles = [len(mesh_of(one, SKELETON)["triangles"]) for one in (plain, scene)]
    assert triangles[1] == 2 * triangles[0]


def test_the_page_knows_that_textures_are_missing() -> None:
    glb = rigs.character(SKELETON)
    material = {"pbrMetallicRoughness": {"baseColorTexture": {"index": 0}}}
    dressed = rigs.changed(glb, lambda json: json.update(materials=[material]))
    assert [mesh_of(GlbScene(one, "it"), SKELETON)["textured"] for one in (glb, dressed)] == [False, True]
