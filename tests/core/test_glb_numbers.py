"""The numbers of a GLB are read whatever their layout, or it is said why they cannot be."""

from __future__ import annotations

import base64
import copy

import numpy as np
import pygltflib
import pytest
import trimesh

import small_takes
from rigs import changed, character
from takemill.base.errors import GlbError
from takemill.files.glb_format import ComponentType, Document, Writer, pack, parse
from takemill.files.glb_numbers import Numbers
from takemill.files.glb_rig import read_rig

GLB = character(small_takes.stand_and_walk().skeleton)


def primitive(json):
    mesh = next(node["mesh"] for node in json["nodes"] if "skin" in node)
    return json["meshes"][mesh]["primitives"][0]


def accessor(json, name="POSITION"):
    return json["accessors"][primitive(json)["attributes"][name]]


def test_positions_are_those_that_another_library_reads(tmp_path):
    """Source: trimesh, which loads the same file."""
    (tmp_path / "a.glb").write_bytes(GLB)
    other = trimesh.load(tmp_path / "a.glb", process=False)
    theirs = np.concatenate([mesh.vertices for mesh in other.geometry.values()])
    document = parse(GLB)
    ours = Numbers(document).of(primitive(document.json)["attributes"]["POSITION"])
    assert np.abs(ours - theirs).max() < 1e-6


def place(part):
    return {"bufferView": part["bufferView"], "byteOffset": part.get("byteOffset", 0)}


def sparse(glb: bytes) -> bytes:
    """The same positions, half of them from a sparse part over zeros."""
    document = parse(glb)
    index = primitive(document.json)["attributes"]["POSITION"]
    points = Numbers(document).of(index)
    spots = np.arange(1, len(points), 2)
    writer = Writer(document)
    kept = points.copy()
    kept[spots] = 0
    parts = (
        writer.add(kept, ComponentType.FLOAT),
        writer.add(spots, ComponentType.UNSIGNED_INT),
        writer.add(points[spots], ComponentType.FLOAT),
    )
    done = writer.finish()
    json = copy.deepcopy(done.json)
    base, indices, values = (json["accessors"][part] for part in parts)
    json["accessors"][index] = base | {
        "sparse": {
            "count": len(spots),
            "indices": place(indices) | {"componentType": 5125},
            "values": place(values),
        }
    }
    return pack(Document(json, done.binary))


def test_sparse_positions_tell_the_soles_as_plain_ones():
    plain, other = (read_rig(one, "a.glb").skeleton for one in (GLB, sparse(GLB)))
    assert len(plain.tip_joints) > 4
    assert plain.tip_joints == other.tip_joints
    assert np.abs(plain.tip_offsets - other.tip_offsets).max() < 1e-6


def test_data_inside_the_json_are_read():
    """A buffer as a data URI, which pygltflib reads as well."""
    document = parse(GLB)
    json = copy.deepcopy(document.json)
    text = base64.b64encode(document.binary).decode()
    json["buffers"][0]["uri"] = f"data:application/octet-stream;base64,{text}"
    index = primitive(json)["attributes"]["POSITION"]
    ours = Numbers(Document(json, None)).of(index)
    assert np.array_equal(ours, Numbers(document).of(index))
    other = pygltflib.GLTF2()
    assert other.get_data_from_buffer_uri(json["buffers"][0]["uri"]) == document.binary


def test_normalised_integers_are_what_they_stand_for():
    """GlTF 2.0, section 3.6.2.2 (and 3.11): f = max(c / 127, -1)."""
    writer = Writer(Document({"buffers": []}, None))
    index = writer.add(np.array([[-128, -127, 0, 127]]), ComponentType.BYTE, normalized=True)
    assert Numbers(writer.finish()).of(index).tolist() == [[-1.0, -1.0, 0.0, 1.0]]


def compressed(json):
    primitive(json)["extensions"] = {"KHR_draco_mesh_compression": {"bufferView": 0, "attributes": {}}}


def packed(json):
    view = json["bufferViews"][accessor(json)["bufferView"]]
    view["extensions"] = {"EXT_meshopt_compression": {"buffer": 0, "mode": "ATTRIBUTES"}}


def elsewhere(json):
    json["buffers"].append({"byteLength": 99999, "uri": "mesh.bin"})
    json["bufferViews"][accessor(json)["bufferView"]]["buffer"] = 1


def endless(json):
    json["bufferViews"][accessor(json)["bufferView"]]["byteStride"] = 0
    accessor(json)["count"] = 2_000_000_000


def many_zeros(json):
    accessor(json).clear()
    accessor(json).update(componentType=5126, count=2_000_000_000, type="VEC3")


def attributes(json):
    return primitive(json)["attributes"]


BAD = {
    "draco": (compressed, r"it is compressed \(KHR_draco_mesh_compression\); export it without compression"),
    "meshopt": (packed, r"is compressed \(EXT_meshopt_compression\); export it without compression"),
    "another file": (elsewhere, "its data lie in another file; export it as one GLB"),
    "over each other": (endless, "(hold more than 20000000 numbers|lie over each other)"),
    "a little over each other": (
        lambda json: json["bufferViews"][accessor(json)["bufferView"]].update(byteStride=4),
        "lie over each other",
    ),
    "zeros without end": (many_zeros, "hold more than 20000000 numbers"),
    "outside": (lambda json: accessor(json).update(count=10**6), "leaves its data"),
    "one element outside": (
        lambda json: accessor(json).update(count=accessor(json)["count"] + 1),
        "leaves its data",
    ),
    "behind the start": (lambda json: accessor(json).update(byteOffset=-4), "the byteOffset of"),
    "no type": (lambda json: accessor(json).update(type="VEC9"), "of no type that glTF knows"),
    "no number": (lambda json: accessor(json).update(count="12"), "the count of"),
    "half a number": (lambda json: accessor(json).update(count=12.5), "the count of"),
    "no view": (lambda json: accessor(json).update(bufferView=10**40), "there is no entry"),
    "no accessor": (lambda json: attributes(json).update(POSITION=-1), "there is no entry"),
    "no weights": (lambda json: attributes(json).pop("WEIGHTS_0"), "lacks positions, joints or weights"),
    "other lengths": (
        lambda json: attributes(json).update(WEIGHTS_0=primitive(json)["indices"]),
        "do not belong together",
    ),
    "few matrices": (lambda json: json["skins"][0]["joints"].extend([0] * 40), "matrices"),
}


@pytest.mark.parametrize("what", BAD)
def test_a_mesh_whose_soles_cannot_be_read_is_refused(what):
    """Never without a word: feet would stand on their joints instead of their soles."""
    change, message = BAD[what]
    with pytest.raises(GlbError, match=rf"^a\.glb: mesh '.+': .*{message}"):
        read_rig(changed(GLB, change), "a.glb")


def test_a_skin_without_matrices_stands_where_its_joints_do():
    """GlTF 2.0, section 3.7.3.1: the default is the identity."""
    glb = changed(GLB, lambda json: json["skins"][0].pop("inverseBindMatrices"))
    assert len(read_rig(glb, "a.glb").skeleton) == len(read_rig(GLB, "a.glb").skeleton)
