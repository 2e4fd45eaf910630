"""What kind of file some bytes are, where they are no BVH: each kind has a way on."""

from __future__ import annotations

_FBX, _USD, _GLB = "an FBX file", "a USD file", "a glTF binary"
_OWN_NAME = "give it the end of name that such files have, by which it is read; or export the take as BVH"
_STARTS: tuple[tuple[bytes, str, str], ...] = (
    (b"Kaydara FBX Binary", _FBX, _OWN_NAME),
    (b"; FBX", _FBX, _OWN_NAME),
    (b"PXR-USDC", _USD, _OWN_NAME),
    (b"#usda", _USD, _OWN_NAME),
    (b"glTF", _GLB, _OWN_NAME),
    (b"BLENDER", "a Blender file", _OWN_NAME),
    (b"\x28\xb5\x2f\xfd", "a compressed file, as Blender writes them", "open it in Blender"),
    (b"PK\x03\x04", "an archive", "unpack it, and read the BVH files in it"),
    (b"\x1f\x8b", "a compressed file", "unpack it first"),
)
_C3D_KEY = 0x50  # the second byte of a C3D file: C3D User Guide, The Header Section (c3d.org)


def foreign_kind(data: bytes) -> tuple[str, str] | None:
    """What a file is that is no text, and what to do with it; None for what may be a BVH file."""
    if data.startswith((b"\xff\xfe", b"\xfe\xff")):
        return None  # text in UTF-16, which its reader says better
    for start, kind, way in _STARTS:
        if data.startswith(start):
            return kind, way
    if len(data) > 512 and data[1] == _C3D_KEY and data[0] in range(2, 32):
        return (
            "a C3D file",
            "it holds markers and no joints: solve it onto a skeleton in the program that recorded it, and "
            "export that as BVH",
        )
    if b"\0" in data[:1024]:
        return "a binary file of an unknown kind", "export the take as BVH, which is text"
    return None
