"""Every kind of clip that a recipe can ask for, in the hands of parties we did not write."""

from __future__ import annotations

import numpy as np
import pytest

from clip_takes import REST, STRIDE, clip, take
from node_parties import three_positions, validator_issues
from takemill.files import glb
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import parse_recipe
from takemill.sets import clip_set

pytestmark = pytest.mark.once

RECIPE = (
    'neutral = "rest"\nblend_frames = 6\nrate = 30\n'
    + REST
    + clip("walk", "stroll", 4, 8, STRIDE + 'turn = "keep"\nheight = "root"')
    + clip("turn", "turn", 0.6, 5.4, "turn_deg = 180")
    + '[[variant]]\nof = "turn"\nmirror = true\n'
    + '[[variant]]\nof = "walk"\nspeed = 1.25\n'
    + '[[variant]]\nof = "walk"\nname = "over"\nadditive_to = "rest"\nagainst = "clip"'
)


@pytest.mark.parametrize("rooted", [False, True])
def test_no_kind_of_clip_gives_the_validator_anything_to_say(rooted, tmp_path):
    """The Khronos glTF validator; and three.js plays each where it was made, at half frames too."""
    takes, recipe = [take(name, rooted) for name in ("rest", "stroll", "turn")], parse_recipe(RECIPE)
    clips = make_set(takes, recipe)
    base = glb.skeleton_glb(clips[0].motion.skeleton)
    clip_set.write_clip_set(tmp_path / "set", base, "all", takes, clips, recipe)
    data = (tmp_path / "set" / "all.glb").read_bytes()
    assert validator_issues(data) == []
    times = {one.name: np.linspace(0, one.motion.duration_s, 9) for one in clips}
    played = three_positions(data, times)
    for one in clips:
        right = one.motion.sampled(times[one.name] * one.motion.rate, one.motion.rate).model()[1]
        right = np.stack([right[..., 0], right[..., 2], -right[..., 1]], axis=-1)  # +Y up
        away = np.linalg.norm(played[one.name][:, None] - right[:, :, None], axis=-1).min(axis=-1)
        assert away.max() < 0.00052, one.name  # some node stands at every joint
