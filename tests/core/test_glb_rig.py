"""A character's GLB read as a skeleton, clips brought back onto it, and a root joint put above it."""

from __future__ import annotations

import numpy as np
import pytest

import small_takes
from glb_clips import clip_of
from odd_motion import odd_motion
from reference import reordered
from rigs import changed, character
from takemill.base.errors import GlbError
from takemill.body.body_map import find_body_map
from takemill.body.skeleton import Skeleton
from takemill.files.glb import append_animations
from takemill.files.glb_format import entries, parse
from takemill.files.glb_read import GlbScene
from takemill.files.glb_rig import parents_of, place_of, read_rig
from takemill.files.glb_root import with_root
from takemill.maths import quat

WAYS = {
    "as it is": {},
    "in centimetres": {"scale": (0.01, 0.01, 0.01)},
    "laid on its back": {"rotation": (-np.sqrt(0.5), 0, 0, np.sqrt(0.5))},
    "elsewhere, looking elsewhere, in inches": {
        "translation": (3.0, 0.25, -2.0),
        "rotation": (0, np.sin(0.7), 0, np.cos(0.7)),
        "scale": (0.0254, 0.0254, 0.0254),
    },
}


def played(glb: bytes, clip: str, times: np.ndarray, names: tuple[str, ...]) -> np.ndarray:
    """World places (T, J, 3) in glTF's axes."""
    scene = GlbScene(glb, "file")
    nodes = [scene.names.index(name) for name in names]
    return scene.worlds(clip, times)[:, nodes][..., :3, 3]


@pytest.mark.parametrize("way", WAYS)
def test_clips_made_for_the_skeleton_play_on_the_file(way):
    """Where the file's top node puts the character, its clips go along: turned, and moved over the floor."""
    motion = odd_motion(rate=30.0)
    glb = character(motion.skeleton, **WAYS[way])
    rig = read_rig(glb, "odd.glb")
    turn, size = (
        np.array(WAYS[way].get(key, rest)) for key, rest in (("rotation", (0, 0, 0, 1)), ("scale", (1, 1, 1)))
    )
    tilt = quat.mul(quat.mul(quat.from_axis_angle(np.array([1.0, 0, 0]), np.pi / 2), turn[[3, 0, 1, 2]]),
                    quat.from_axis_angle(np.array([1.0, 0, 0]), -np.pi / 2))  # fmt: skip
    tilt = quat.mul(quat.from_yaw(-quat.yaw(tilt)), tilt)
    order = [motion.skeleton.index(name) for name in rig.skeleton.names]
    old = reordered(motion.skeleton, order)
    assert rig.skeleton.parents == old.parents
    height = np.array([0, 0, WAYS[way].get("translation", (0, 0, 0))[1]])
    wanted = size[0] * quat.rotate(tilt, old.rest_model[1]) + height
    np.testing.assert_allclose(rig.skeleton.rest_model[1], wanted, atol=2e-6)
    # A motion of the rig's own: the same turns, on its skeleton.
    own = type(motion)(
        rig.skeleton,
        motion.rate,
        motion.rotations[:, order],
        rig.skeleton.rest_translation[0] + 0.3 * np.sin(np.arange(len(motion)))[:, None] * [1.0, 0.5, 0.2],
        {order.index(joint): size[0] * track for joint, track in motion.translations.items()},
    )
    clip = clip_of("sway", own)
    done = append_animations(glb, [rig.placed(clip)])
    times = np.arange(len(own)) / own.rate
    places = played(done, "sway", times, own.skeleton.names)
    heading, moved = (0.0, np.zeros(3)) if "elsewhere" not in way else (1.4, np.array([3.0, 0, -2.0]))
    flat = own.model()[1]
    upright = np.stack([flat[..., 0], flat[..., 2], -flat[..., 1]], axis=-1)
    about_y = np.array([np.cos(heading / 2), 0, np.sin(heading / 2), 0])
    np.testing.assert_allclose(places, quat.rotate(about_y, upright) + moved, atol=1e-5)


def test_a_mesh_tells_where_limbs_end_and_feet_stand():
    """The stick mesh reaches to the tips; a foot's sole is as low as its lowest vertices."""
    motion = small_takes.stand_and_walk()
    rig = read_rig(character(motion.skeleton), "walker.glb")
    tips = {rig.skeleton.names[joint] for joint in rig.skeleton.tip_joints}
    leaves = {n for n, below in zip(rig.skeleton.names, rig.skeleton.children, strict=True) if not below}
    assert leaves <= tips
    for joint, tip in zip(motion.skeleton.tip_joints, motion.skeleton.rest_tips, strict=True):
        name = motion.skeleton.names[joint]
        if name in leaves:
            near = [
                np.linalg.norm(found - tip)
                for other, found in zip(rig.skeleton.tip_joints, rig.skeleton.rest_tips, strict=True)
                if rig.skeleton.names[other] == name
            ]
            assert min(near) < 0.05, name
    assert rig.skeleton.rest_tips[:, 2].min() == pytest.approx(0.0, abs=0.05)


@pytest.mark.parametrize("way", WAYS)
def test_a_root_joint_goes_above_and_all_else_stays(way):
    motion = small_takes.stand_and_walk()
    glb = character(motion.skeleton, **WAYS[way])
    old = read_rig(glb, "walker.glb")
    new, name = with_root(glb, old)
    rig = read_rig(new, "walker.glb")
    assert rig.skeleton.names == (name, *old.skeleton.names)
    assert rig.skeleton.parents[:2] == (-1, 0)
    np.testing.assert_allclose(rig.skeleton.rest_translation[0], 0, atol=1e-6)
    assert quat.angle_between(rig.skeleton.rest_rotation[0], quat.IDENTITY) < 1e-6, "it stands upright"
    before, after = (GlbScene(one, "file") for one in (glb, new))
    for node, label in enumerate(before.names):
        there = after.names.index(label)
        np.testing.assert_allclose(world(after, there), world(before, node), atol=1e-6, err_msg=label)
    for skin in entries(parse(new).json, "skins"):
        assert skin["joints"][-1] == after.names.index(name)
        count = parse(new).json["accessors"][skin["inverseBindMatrices"]]["count"]
        assert count == len(skin["joints"])


def world(scene: GlbScene, node: int) -> np.ndarray:
    above = scene.parents[node]
    return (world(scene, above) if above >= 0 else np.eye(4)) @ scene.rest_of(node)


def test_its_body_can_be_told():
    motion = small_takes.stand_and_walk()
    rig = read_rig(character(motion.skeleton, scale=(0.01,) * 3), "walker.glb")
    body, right = find_body_map(rig.skeleton), find_body_map(motion.skeleton)
    assert body.names(rig.skeleton) == right.names(motion.skeleton)


def rename(json):
    json["nodes"][3]["name"] = json["nodes"][2]["name"]


def squeeze(json):
    json["nodes"][2]["scale"] = [1, 2, 1]


def grow(json):
    json["nodes"][2]["scale"] = [2, 2, 2]


def shear(json):
    json["nodes"][2] = {"name": "x", "matrix": [1, 0, 0, 0, 1, 1, 0, 0, 0, 0, 1, 0, 0, 0, 0, 1]} | {
        k: v for k, v in json["nodes"][2].items() if k in ("children",)
    }


def part(json):
    """The hips' first child hangs in the scene by itself."""
    child = json["nodes"][0]["children"].pop()
    json["nodes"].append({"name": "aside", "children": [child], "translation": [1, 0, 0]})
    json["scenes"][0]["nodes"].append(len(json["nodes"]) - 1)


def move(far_m):
    return lambda json: json["nodes"][1].update(translation=[0, far_m, 0])


def chain(json):
    """Joints below joints, ever deeper."""
    first = len(json["nodes"])
    json["nodes"] += [{"name": f"n{k}", "children": [first + k + 1]} for k in range(19_999)] + [
        {"name": "end"}
    ]
    json["nodes"][json["skins"][0]["joints"][-1]]["children"] = [first]
    json["skins"][0]["joints"] += range(first, first + 20_000)


def enlarge(json):
    """What carries the skeleton is scaled."""
    skin = {joint for one in json["skins"] for joint in one["joints"]}
    (top,) = (i for i in json["scenes"][0]["nodes"] if i not in skin and "mesh" not in json["nodes"][i])
    json["nodes"][top]["scale"] = [1e7] * 3


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (lambda json: json.pop("skins"), "walker.glb: there is no skin in it"),
        (rename, "walker.glb: two joints are called"),
        (lambda json: json["nodes"][2].pop("name"), "walker.glb: a joint has no name"),
        (squeeze, "is not scaled alike along all axes; apply its scale first"),
        (grow, "is scaled by 2; apply its scale first"),
        (shear, "is sheared; apply its transform first"),
        (part, "its topmost joints hang in several places"),
        (move(1e9), "walker.glb: joint '.*' rests 1e.09 m away"),
        (move(1e299), "walker.glb: joint '.*' rests 1e.299 m away"),
        (enlarge, "what carries the skeleton is scaled by 1e.07; apply its scale"),
        (lambda json: json["nodes"][2]["children"].append(0), "hangs below"),
        (lambda json: json["nodes"][0].update(rotation=[0, 0, 0, 0]), "'hips' is no unit quaternion"),
        (lambda json: json["nodes"][0].update(rotation=[1e-320, 0, 0, 0]), "'hips' is no unit quaternion"),
        (lambda json: json["nodes"][0].update(rotation=[0, 0, 0, 0.09]), "'hips' is no unit quaternion"),
        (lambda json: json["nodes"][0].update(rotation=[0, 0, 0, 11]), "'hips' is no unit quaternion"),
        (lambda json: json["nodes"][2].update(name="a\x1b[2J"), r"joint name 'a\\x1b\[2J' holds a control"),
        (chain, "20021 joints; at most 4096 can be read: is this one character"),
        (lambda json: json["skins"][0]["joints"].pop(), "a vertex hangs on a joint that its skin lacks"),
        (lambda json: json["nodes"][0].update(children=[999]), "walker.glb: GLB malformed: 'children'"),
    ],
)
def test_what_is_no_character_is_refused(change, message):
    glb = changed(character(small_takes.stand_and_walk().skeleton), change)
    with pytest.raises(GlbError, match=message):
        read_rig(glb, "walker.glb")


@pytest.mark.parametrize("length", [0.11, 0.5, 1.0, 9.0])
def test_rotations_of_other_lengths_and_matrices_say_the_same(length):
    """A tenth to ten times: a turn is read from its direction. A matrix (glTF 2.0, 3.5.3) holds columns."""
    turn, way = quat.exp(np.array([0.3, -0.5, 0.2])), [0.1, 0.2, 0.3]
    in_file = (length * turn[[1, 2, 3, 0]]).tolist()
    matrix = np.eye(4)
    matrix[:3, :3], matrix[:3, 3] = quat.to_matrix(turn), way
    found = [
        place_of(node)
        for node in (
            {"rotation": in_file, "translation": way, "scale": [2, 2, 2]},
            {"matrix": (matrix @ np.diag([2, 2, 2, 1])).T.ravel().tolist()},
        )
    ]
    for place in found:
        np.testing.assert_allclose(place.rotation, turn, atol=1e-12)
        np.testing.assert_allclose(place.translation, way)
        assert place.scale == pytest.approx(2.0)
    rest = place_of({})
    assert (*rest.rotation, *rest.translation, rest.scale) == (1, 0, 0, 0, 0, 0, 0, 1)


def test_soles_and_tips_are_the_same_wherever_the_character_rests():
    """Its hips rest 40 m from the origin, below an object that stands there."""
    here = small_takes.stand_and_walk().skeleton
    ways = here.rest_translation.copy()
    ways[0, :2] += [40.0, 25.0]
    there = Skeleton(here.names, here.parents, ways, here.rest_rotation, here.tip_joints, here.tip_offsets)
    found = [read_rig(character(one), "walker.glb").skeleton for one in (here, there)]
    assert len(found[0].tip_joints) > 4
    assert found[0].tip_joints == found[1].tip_joints
    np.testing.assert_allclose(found[0].tip_offsets, found[1].tip_offsets, atol=1e-4)


@pytest.mark.parametrize("start", [0, 3])
def test_a_chain_of_nodes_may_be_500_deep_wherever_it_begins(start):
    """From the node at the top of the chain on, also where that is the first of the file."""
    glb = character(small_takes.stand_and_walk().skeleton)

    def hang(count):
        def add(json):
            first = len(json["nodes"])
            json["nodes"] += [{"children": [first + k + 1]} for k in range(count - 1)] + [{}]
            json["nodes"][start].setdefault("children", []).append(first)

        return add

    parents = parents_of(parse(glb).json["nodes"])
    above, node = 1, start
    while parents[node] >= 0:
        above, node = above + 1, parents[node]
    GlbScene(changed(glb, hang(500 - above)), "file")
    with pytest.raises(GlbError, match="a chain of 501 nodes; at most 500"):
        GlbScene(changed(glb, hang(501 - above)), "file")
