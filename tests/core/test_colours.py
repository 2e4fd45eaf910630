"""Left and right, raw and repaired: a pair of colours each, that the colour-blind can part, everywhere."""

from __future__ import annotations

import re
from itertools import product
from pathlib import Path

import numpy as np
import pytest

from takemill.pages.html_parts import asset

# Machado, Oliveira, Fernandes: A Physiologically-based Model for Simulation of Color Vision Deficiency
# (2009), matrices of severity 1.0 for linear sRGB, as colorspacious 1.1.2 holds them.
VISION = {
    "usual": np.eye(3),
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}  # fmt: skip
# IEC 61966-2-1 (sRGB): linear RGB to CIE XYZ; the white point is D65.
XYZ = np.array(
    [[0.4124564, 0.3575761, 0.1804375], [0.2126729, 0.7151522, 0.0721750], [0.0193339, 0.1191920, 0.9503041]]
)
WHITE = XYZ @ np.ones(3)
SHEETS = dict(
    zip(("light", "dark"), re.findall(r":root \{(.*?)\}", asset("page.css"), re.DOTALL), strict=True)
)

ADDON = Path(__file__).resolve().parents[2] / "blender_addon/takemill_addon/properties/preferences.py"
# Of Blender's 3D view: the colours of our overlays, on the background of its dark theme (4.5 and 5.2).
SHEETS["view"] = "--page: #3d3d3d;" + "".join(
    f"--{name}: {code};"
    for name, code in re.findall(
        r'colour_(\w+): _colour\([^#]*"(#[0-9a-f]{6})"', ADDON.read_text(encoding="utf-8")
    )
)


def linear(name: str, theme: str) -> np.ndarray:
    """A colour of a style sheet as linear RGB (3,), 0 to 1 (IEC 61966-2-1)."""
    code = re.search(rf"--{name}: #([0-9a-f]{{6}});", SHEETS[theme])
    assert code, name
    value = np.array([int(code[1][k : k + 2], 16) for k in (0, 2, 4)]) / 255
    return np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)


def lab(rgb: np.ndarray) -> np.ndarray:
    """CIE 1976 L*a*b* (3,) of linear RGB (CIE 15)."""
    ratio = XYZ @ rgb / WHITE
    cube = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * cube[1] - 16, 500 * (cube[0] - cube[1]), 200 * (cube[1] - cube[2])])


def difference(first: str, second: str, theme: str, vision: str) -> float:
    """CIE 1976 distance of two colours as somebody sees them; 2.3 is just noticed (Mahy et al., 1994)."""
    seen = [np.clip(VISION[vision] @ linear(name, theme), 0, 1) for name in (first, second)]
    return float(np.linalg.norm(lab(seen[0]) - lab(seen[1])))


def contrast(first: str, second: str, theme: str) -> float:
    """Contrast ratio by WCAG 2.2."""
    low, high = sorted(float(XYZ[1] @ linear(name, theme)) for name in (first, second))
    return (high + 0.05) / (low + 0.05)


@pytest.mark.parametrize(("theme", "vision"), list(product(SHEETS, VISION)))
def test_the_pairs_can_be_told_apart(theme: str, vision: str) -> None:
    """Ten times what is just noticed: they are thin lines."""
    assert difference("left", "right", theme, vision) > 40
    assert difference("raw", "repaired", theme, vision) > 25


@pytest.mark.parametrize("theme", SHEETS)
def test_they_stand_out_from_the_page(theme: str) -> None:
    """WCAG 2.2: 1.4.3 asks 4.5 for text, which left and right also are; 1.4.11 asks 3 for lines."""
    for name, least in (("left", 4.5), ("right", 4.5), ("raw", 3.0), ("repaired", 3.0)):
        assert contrast(name, "page", theme) >= least, name


def test_each_pair_means_one_thing() -> None:
    """Left and right paint nothing but left and right, raw and repaired nothing else either."""
    style = asset("page.css") + asset("health_page.css")
    rules = dict(re.findall(r"([^{};]+)\{([^{}]*)\}", re.sub(r":root \{.*?\}", "", style, flags=re.DOTALL)))
    uses = {
        name: {rule.strip() for rule, body in rules.items() if f"var(--{name})" in body}
        for name in ("left", "right", "raw", "repaired")
    }
    assert uses == {
        "left": {".left", ".sl", ".fl"}, "right": {".right", ".sr", ".fr"}, "raw": {".raw"},
        "repaired": {".new"},
    }  # fmt: skip
