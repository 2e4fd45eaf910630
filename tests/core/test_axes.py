"""Axes that may point up, against right-handed matrices written by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

import forms
from takemill.maths import quat
from takemill.maths.axes import (
    UP_AXES,
    from_z_up,
    to_z_up,
    turn_to_z_up,
    turns_from_z_up,
    turns_to_z_up,
    up_vector,
)


@pytest.mark.parametrize("up", UP_AXES)
def test_vectors_and_turns_go_there_and_back(up):
    """forms.AXES leads from Z-up into the file's axes; a turn R becomes A R A^T there (SciPy's matrices)."""
    axes = forms.AXES[up]
    assert np.linalg.det(axes) == pytest.approx(1.0)
    rng = np.random.default_rng(3)
    vectors, turns = rng.normal(size=(5, 3)), Rotation.random(5, random_state=3)
    np.testing.assert_array_equal(from_z_up(vectors, up), vectors @ axes.T)
    np.testing.assert_array_equal(to_z_up(from_z_up(vectors, up), up), vectors)
    q = turns.as_quat()[:, [3, 0, 1, 2]]
    np.testing.assert_allclose(
        quat.to_matrix(turns_from_z_up(q, up)), axes @ turns.as_matrix() @ axes.T, atol=1e-12
    )
    np.testing.assert_array_equal(turns_to_z_up(turns_from_z_up(q, up), up), q)
    np.testing.assert_allclose(quat.rotate(turn_to_z_up(up), up_vector(up)), [0, 0, 1], atol=1e-12)
    np.testing.assert_allclose(quat.rotate(turn_to_z_up(up), vectors), to_z_up(vectors, up), atol=1e-12)
