"""One take written in several forms, all of one shoot: its clips are equal on the same character.

As near as the keys that are left say (`test_forms_packed.py`): each file within a tolerance of one motion.
"""

from __future__ import annotations

import json

import numpy as np

import forms
import glb_reader
import small_shoots
import synthetic
from takemill.body.body_map import find_body_map

TOLERANCE_M = 5e-5
LOST_REST_M = (
    5e-3  # what a lost rest pose costs is the tilt of the hips (DEVELOPERS.md); here 1 degree, 2.6 mm
)
SHOOT = """takes = ["takes/*.bvh"]
characters = ["characters/tall.glb"]
[settings.reduce]
max_error_m = 5e-5
planted_error_m = 5e-5
storage = "float32"
"""
CLIP = '[[clip]]\nname = "walk"\nkind = "locomotion"\nfrom = 0.4\nto = 1.4\n'
WAYS = {
    "plain": ("as it is", {}),
    "other_axes": ("as it is", {"up": "X", "unit": "inch", "order": "YZX"}),
    "lost_rest": ("random turns", {}),
}


def test_the_same_take_in_several_forms_gives_equal_clips(tmp_path):
    motion = synthetic.walk(rate=60.0, steps=4).motion
    first, parts = forms.plain(motion), dict(find_body_map(motion.skeleton).joints)
    small_shoots.write_characters(tmp_path)
    (tmp_path / "takes").mkdir()
    for name, (pose, writing) in WAYS.items():
        form = forms.resting(first, forms.POSES[pose](first, parts))
        (tmp_path / f"takes/{name}.bvh").write_text(forms.bvh_text(form, **writing))
        (tmp_path / f"takes/{name}.toml").write_text(CLIP)
    (tmp_path / "shoot.toml").write_text(SHOOT)
    assert small_shoots.build(tmp_path / "shoot.toml").missing == ()
    facts, places = {}, {}
    for name in WAYS:
        folder = tmp_path / "out/tall" / name
        (clip,) = json.loads((folder / "clips.json").read_text())["clips"]
        facts[name] = {key: clip[key] for key in ("frames", "duration_s", "events", "loop")}
        glb = glb_reader.read_glb((folder / f"{name}.glb").read_bytes())
        times = np.arange(0.0, glb.duration_s("walk") + 1e-6, 1 / 60)
        places[name] = glb.positions("walk", times, motion.skeleton.names)
    for name in WAYS:
        assert facts[name] == facts["plain"], name
        gap = np.linalg.norm(places[name] - places["plain"], axis=-1).max()
        assert gap < (LOST_REST_M if name == "lost_rest" else 2 * TOLERANCE_M), name
