"""Packed files of any form of a take play alike: as near as the keys that were left say.

Measured on three open motions at 120 frames a second: 0.38 to 0.49 mm with the default tolerance of 0.5 mm,
at most 0.05 mm with one of 0.05 mm and 32-bit rotations, 0.001 mm with every frame.
"""

from __future__ import annotations

import json
from functools import cache

import numpy as np
import pytest

import forms
import glb_reader
import open_data
from takemill.body.body_map import find_body_map
from takemill.shell import cli

pytestmark = pytest.mark.once

RATE = 120.0
TIGHT = '[reduce]\nmax_error_m = {m}\nplanted_error_m = {m}\nmax_error_deg = {deg}\nstorage = "float32"\n'
RECIPES = {
    "default": "",
    "twentieth of a millimetre": TIGHT.format(m=5e-5, deg=1.0),
    "every frame": TIGHT.format(m=1e-6, deg=0.001),
}
# Each file lies within its tolerance of the same motion, so that two lie within twice that of each other.
GAP_M = {"default": 1e-3, "twentieth of a millimetre": 1e-4, "every frame": 1e-5}
FORMS = {
    "written otherwise": ("as it is", {"up": "X", "unit": "inch", "order": "YZX"}),
    "a lost rest pose": ("random turns", {}),
}


@cache
def original(name: str) -> tuple[forms.Plain, dict[str, int]]:
    motion = open_data.humanoid3d(name)[0].resampled(RATE)
    return forms.plain(motion), dict(find_body_map(motion.skeleton).joints)


def packed(form: forms.Plain, folder, recipe: str, **writing: str) -> tuple[glb_reader.Glb, dict]:
    folder.mkdir()
    (folder / "take.bvh").write_text(forms.bvh_text(form, **writing), encoding="utf-8")
    (folder / "set.toml").write_text(recipe, encoding="utf-8")
    files = [str(folder / one) for one in ("take.bvh", "set.toml", "set")]
    assert cli.main(["pack", files[0], "--recipe", files[1], "--out", files[2]]) == 0
    return (
        glb_reader.read_glb((folder / "set" / "take.glb").read_bytes()),
        json.loads((folder / "set" / "clips.json").read_text(encoding="utf-8")),
    )


@pytest.mark.parametrize("recipe", list(RECIPES))
@pytest.mark.parametrize("name", ["walk", "kick"])
def test_packed_places_are_as_near_as_the_keys_that_are_left(name, recipe, tmp_path):
    plain, parts = original(name)
    first, facts = packed(plain, tmp_path / "first", RECIPES[recipe])
    assert facts["clips"]
    for how, (pose, writing) in FORMS.items():
        form = forms.resting(plain, forms.POSES[pose](plain, parts))
        other, other_facts = packed(form, tmp_path / how, RECIPES[recipe], **writing)
        for one, two in zip(facts["clips"], other_facts["clips"], strict=True):
            for fact in ("name", "frames", "loop", "events"):
                assert one[fact] == two[fact], how
            times = np.arange(0.0, first.duration_s(one["name"]) + 1e-6, 1 / RATE)
            places, others = (glb.positions(one["name"], times, plain.names) for glb in (first, other))
            assert np.linalg.norm(places - others, axis=-1).max() < GAP_M[recipe], how
