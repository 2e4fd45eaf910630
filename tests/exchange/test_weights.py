"""Faces in GLB files: three.js plays their weights, and the validator has nothing to say."""

from __future__ import annotations

import numpy as np
import pytest

import synthetic
from face_bodies import base_with_face, talking
from node_parties import three_weights, validator_issues
from takemill.files.glb import GlbClip, append_animations
from takemill.files.glb_axes import motions_in_gltf
from takemill.keys.reduce import reduce_keys
from takemill.keys.weight_keys import weight_track

pytestmark = pytest.mark.once


@pytest.mark.parametrize(("error", "most"), [(0.0005, 1e-3), (1e-9, 1e-6)])
def test_three_plays_the_weights_of_the_clip(error, most):
    """Source: npm three (MIT) and gltf-validator (Apache 2.0); on each frame of the clip."""
    (motion,) = motions_in_gltf([synthetic.walk().motion])
    face = talking(rate=motion.rate, length_s=motion.duration_s)
    clip = GlbClip(
        "talk",
        motion.rate,
        motion.skeleton,
        reduce_keys(motion),
        weights=(weight_track(face, error),),
    )
    data = append_animations(base_with_face(synthetic.walk().motion.skeleton), [clip])
    assert [one for one in validator_issues(data) if one["severity"] < 3] == []
    times = (np.arange(len(face)) / face.rate).astype(
        np.float32
    )  # as keys are stored, so that none is missed
    played = three_weights(data, {"talk": times})["talk"]
    values = np.array([one["head_mesh"] for one in played])
    assert np.abs(values[:, :3] - face.values).max() <= most
    assert np.abs(values[:, 3]).max() == 0
