"""Pictures of pages as arrays of pixels, without an image library."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import numpy as np

COLOURS = {  # page.css
    "light": {
        "page": (0xF6, 0xF4, 0xEE), "left": (0x4B, 0x3F, 0xAE), "right": (0x8F, 0x5D, 0x00),
        "raw": (0x8E, 0x87, 0x7B), "repaired": (0x7A, 0x0F, 0x3D),
        "other": (0x7A, 0x3F, 0x7D), "reed": (0x3D, 0x6B, 0x35),
    },
    "dark": {
        "page": (0x17, 0x1B, 0x18), "left": (0xA9, 0xA2, 0xFF), "right": (0xE0, 0xB0, 0x4A),
        "raw": (0x7D, 0x81, 0x7A), "repaired": (0xFF, 0xB6, 0xD0),
        "other": (0xD3, 0x9A, 0xD6), "reed": (0x9C, 0xCC, 0x8B),
    },
}  # fmt: skip


def picture(path: Path) -> np.ndarray:
    """(H, W, 3) of a PNG of 8-bit RGB or RGBA. Source: PNG specification (W3C, 2003), sections 9 and 11.2."""
    data, place, packed = path.read_bytes(), 8, b""
    while place < len(data):
        size, kind = struct.unpack(">I4s", data[place : place + 8])
        body = data[place + 8 : place + 8 + size]
        if kind == b"IHDR":
            width, height, depth, colour = struct.unpack(">IIBB", body[:10])
            assert (depth, colour) in ((8, 2), (8, 6))
        elif kind == b"IDAT":
            packed += body
        place += 12 + size
    channels = 3 if colour == 2 else 4
    lines = np.frombuffer(zlib.decompress(packed), np.uint8).reshape(height, -1)
    rows = [bytes(width * channels)]
    for line in lines:
        rows.append(unfiltered(int(line[0]), line[1:].tobytes(), rows[-1], channels))
    return np.frombuffer(b"".join(rows[1:]), np.uint8).reshape(height, width, channels)[..., :3]


def unfiltered(kind: int, line: bytes, above: bytes, channels: int) -> bytes:
    if kind == 0:
        return line
    if kind == 2:
        return (np.frombuffer(line, np.uint8) + np.frombuffer(above, np.uint8)).tobytes()
    out = bytearray(channels) + bytearray(line)
    above = bytes(channels) + above
    for k in range(channels, len(out)):
        left, up, corner = out[k - channels], above[k], above[k - channels]
        if kind == 1:
            guess = left
        elif kind == 3:
            guess = (left + up) // 2
        else:
            near = [(abs(up - corner), 0), (abs(left - corner), 1), (abs(left + up - 2 * corner), 2)]
            guess = (left, up, corner)[min(near)[1]]
        out[k] = (out[k] + guess) & 255
    return bytes(out[channels:])


def count(pixels: np.ndarray, colour: tuple[int, int, int]) -> int:
    return int((np.abs(pixels.astype(int) - colour).max(axis=-1) <= 2).sum())
