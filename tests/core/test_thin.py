"""Curves of components, thinned: within the bound, on the curves, and with slopes that fit."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

import open_data
import synthetic
from takemill.base.errors import InputError
from takemill.body.motion import Motion
from takemill.curves.hermite import SlopeFit, Spans, slopes_of, smooth, straight
from takemill.curves.thin import Curves, CurveSettings, thin_curves
from takemill.maths import kinematics, quat


def curves_of(motion: Motion) -> Curves:
    """Quaternion components of all joints and the path of joint 0."""
    joints = len(motion.skeleton)
    values = np.concatenate([motion.rotations.reshape(len(motion), -1), motion.root_translation], axis=1).T
    group = np.concatenate([np.repeat(np.arange(joints), 4), [joints] * 3])
    turns = np.arange(joints + 1) < joints
    return Curves(values, group, np.append(np.arange(joints), 0), turns)


def pose_of(motion: Motion):
    joints = len(motion.skeleton)

    def pose(values):
        rotations = quat.normalize(values[: 4 * joints].T.reshape(-1, joints, 4))
        places = np.tile(motion.skeleton.rest_translation, (values.shape[1], 1, 1))
        places[:, 0] = values[4 * joints :].T
        return rotations, places

    return pose


def thinned(motion: Motion, **settings):
    return thin_curves(curves_of(motion), motion.skeleton, pose_of(motion), CurveSettings(**settings))


def seen(motion: Motion, frames, keys, slopes) -> np.ndarray:
    """Joint positions (T, J, 3) at fractional frames by SciPy's spline, or by numpy's straight lines."""
    curves = curves_of(motion)
    out = np.empty((len(curves.values), len(frames)))
    for row, group in enumerate(curves.group):
        at = np.flatnonzero(keys[group])
        values = curves.values[row, at]
        if len(at) == 1:
            out[row] = values[0]
        elif slopes is None:
            out[row] = np.interp(frames, at, values)
        else:
            out[row] = CubicHermiteSpline(at, values, slopes[row, at])(frames)
    parents = motion.skeleton.parents
    return kinematics.model_from_local(parents, *pose_of(motion)(out))[1]


@pytest.fixture(scope="module")
def motions() -> dict[str, Motion]:
    """Motions with their own rate. Source: DeepMimic's walk and punch (pybullet wheel)."""
    own = {name: open_data.humanoid3d(name)[0] for name in ("walk", "punch")}
    return {**own, "synthetic": synthetic.walk(rate=60, steps=4).motion}


@pytest.mark.parametrize("name", ["walk", "punch", "synthetic"])
@pytest.mark.parametrize("is_smooth", [True, False])
@pytest.mark.parametrize("limit_m", [0.0005, 0.003])
def test_no_joint_strays_further_than_the_bound_between_frames_either(motions, name, is_smooth, limit_m):
    """Judged at quarter frames, by SciPy's CubicHermiteSpline, against keys on all frames."""
    motion = motions[name]
    thin = thinned(motion, max_error_m=limit_m, smooth=is_smooth)
    frames = np.arange(4 * (len(motion) - 1) + 1) / 4
    every = np.ones_like(thin.keys)
    dense = slopes_of(curves_of(motion).values) if is_smooth else None
    right = seen(motion, frames, every, dense)
    now = seen(motion, frames, thin.keys, thin.slopes if is_smooth else None)
    assert np.linalg.norm(now - right, axis=-1).max() <= limit_m
    assert thin.keys.sum() < 0.9 * thin.keys.size
    assert thin.keys[:, 0].all()
    moving = thin.keys.sum(axis=1) > 1
    assert thin.keys[moving, -1].all()


def test_a_wider_bound_takes_fewer_keys(motions):
    for is_smooth in (True, False):
        counts = [thinned(motions["synthetic"], max_error_m=m, smooth=is_smooth).keys.sum()
                  for m in (0.0003, 0.001, 0.003, 0.01)]  # fmt: skip
        assert counts == sorted(counts, reverse=True)
        assert counts[-1] < counts[0] / 2


def test_a_cubic_path_takes_two_keys_and_a_still_joint_one():
    """An exact answer: a cubic through its ends with its slopes there is the cubic."""
    walk = synthetic.walk(rate=60, steps=2).motion.slice(0, 41)
    t = np.linspace(-1, 1, 41)
    path = np.stack([t**3 - 0.4 * t, 0.3 * t**2, 0 * t + 0.9], axis=-1)
    rotations = np.tile(walk.rotations[:1], (41, 1, 1))
    motion = Motion(walk.skeleton, 60.0, rotations, path)
    thin = thinned(motion)
    assert thin.keys[-1].sum() == 2
    assert (thin.keys[:-1].sum(axis=1) == 1).all()
    assert thinned(motion, smooth=False).keys[-1].sum() > 4
    # The slopes at the ends are those of the cubic, in frames: d/dt over 20 frames a unit.
    np.testing.assert_allclose(thin.slopes[-3, [0, 40]] * 20, 3 - 0.4, rtol=0.02)


def test_cubic_curves_are_scipys_and_straight_ones_numpys():
    """Source: scipy.interpolate.CubicHermiteSpline and numpy.interp."""
    rng = np.random.default_rng(4)
    values, slopes = rng.normal(size=(2, 5, 31))
    keys = rng.random((5, 31)) < 0.3
    keys[:, [0, -1]] = True
    spans, frames = Spans.of(keys), np.arange(121) / 4
    for row in range(5):
        at = np.flatnonzero(keys[row])
        spline = CubicHermiteSpline(at, values[row, at], slopes[row, at])
        np.testing.assert_allclose(
            smooth(values, slopes.ravel()[spans.keys], spans, 4)[row], spline(frames), atol=1e-12
        )
        lines = np.interp(frames, at, values[row, at])
        np.testing.assert_allclose(straight(values, spans, 4)[row], lines, atol=1e-12)


@pytest.mark.parametrize("per_frame", [1, 2, 4])
def test_slopes_fit_as_well_as_least_squares_can(per_frame):
    """Source: numpy.linalg.lstsq on the same curves as a matrix; conjugate gradients stop within 0.1 %.

    The curves lie far from zero and run long, which takes digits from the sums that the fit goes by.
    """
    rng = np.random.default_rng(5)
    values = np.array([[0], [100], [-10]]) + np.cumsum(rng.normal(size=(3, 240)), axis=1)
    keys = rng.random((3, 240)) < 0.25
    keys[:, [0, -1]] = True
    spans, dense = Spans.of(keys), slopes_of(values)
    wanted = smooth(values, dense.ravel(), Spans.of(np.ones_like(keys)), per_frame)
    held = spans.keys == spans.keys[7]
    fit = SlopeFit(wanted, dense, per_frame).at(values, spans, held)
    assert fit[7] == dense.ravel()[spans.keys[7]]
    gap = np.linalg.norm(smooth(values, fit, spans, per_frame) - wanted, axis=1)
    for row in range(3):
        at, one = np.flatnonzero(keys[row]), Spans.of(keys[row : row + 1])
        mine = values[row : row + 1]
        fixed = fit[7] * (np.arange(len(at)) == 7) if row == 0 else np.zeros(len(at))
        base = smooth(mine, fixed, one, per_frame)[0]
        unit = [smooth(0 * mine, np.eye(len(at))[k], one, per_frame)[0] for k in range(len(at))]
        unit = [each * (row > 0 or k != 7) for k, each in enumerate(unit)]
        best = np.linalg.lstsq(np.stack(unit, axis=1), wanted[row] - base, rcond=None)[0]
        least = np.linalg.norm(base + np.stack(unit, axis=1) @ best - wanted[row])
        assert least - 1e-9 <= gap[row] <= 1.001 * least + 1e-9


def test_a_loops_slopes_meet_at_its_seam():
    angle = np.linspace(0, 2 * np.pi, 41)
    values = np.stack([np.sin(angle), np.cos(angle), 0.1 * np.arange(41)])
    slopes = slopes_of(values, loop=True)
    np.testing.assert_array_equal(slopes[:, 0], slopes[:, -1])
    np.testing.assert_allclose(slopes[:, 0], [2 * np.pi / 40, 0, 0.1], atol=2e-3)
    motion = synthetic.walk(rate=60, steps=4).motion
    thin = thin_curves(curves_of(motion), motion.skeleton, pose_of(motion), CurveSettings(0.003), loop=True)
    np.testing.assert_array_equal(thin.slopes[:, 0], thin.slopes[:, -1])
    assert thin.keys.sum() < 0.3 * thin.keys.size


def test_a_long_take_is_worked_on_in_pieces_that_meet_without_a_kink():
    """All groups have a key where two pieces meet, with the slope that the motion has there."""
    motion = synthetic.walk(rate=60, steps=12).motion
    assert len(motion) > 480
    thin = thinned(motion, max_error_m=0.003)
    moving = thin.keys.sum(axis=1) > 1
    (seams,) = np.nonzero(thin.keys[moving].all(axis=0))
    between = [frame for frame in seams if 0 < frame < len(motion) - 1]
    assert len(between) in (1, 2)
    curves = curves_of(motion)
    rows = moving[curves.group]
    np.testing.assert_array_equal(
        thin.slopes[rows][:, between[0]], slopes_of(curves.values)[rows][:, between[0]]
    )


def test_a_long_loops_slopes_meet_at_its_seam():
    motion = synthetic.walk(rate=60, steps=12).motion
    curves = curves_of(motion)
    for loop in (True, False):
        thin = thin_curves(curves, motion.skeleton, pose_of(motion), CurveSettings(0.003), loop=loop)
        assert (np.abs(thin.slopes[:, 0] - thin.slopes[:, -1]).max() == 0) == loop


def test_progress_is_told_and_may_end_the_work(monkeypatch):
    motion, told = synthetic.walk(rate=60, steps=30).motion, []
    thin_curves(curves_of(motion), motion.skeleton, pose_of(motion), progress=told.append)
    assert told == sorted(told)
    assert told[0] == 0
    assert 0 < told[-1] < 1

    def enough(part: float) -> None:
        if part > 0:
            raise KeyboardInterrupt

    poses = []

    def counted(values):
        poses.append(len(values))
        return pose_of(motion)(values)

    monkeypatch.setattr("os.cpu_count", lambda: 1)
    thin_curves(curves_of(motion), motion.skeleton, counted)
    every = len(poses)
    with pytest.raises(KeyboardInterrupt):
        thin_curves(curves_of(motion), motion.skeleton, counted, progress=enough)
    assert len(poses) < 1.8 * every  # of the pieces that had not begun none was worked on


@pytest.mark.parametrize("frames", [1, 2, 3])
def test_short_curves(frames):
    motion = synthetic.walk(rate=60, steps=2).motion.slice(60, 60 + frames)
    for is_smooth in (True, False):
        keys = thinned(motion, smooth=is_smooth).keys
        assert keys[:, 0].all()


def test_the_curves_are_left_as_they_were(motions):
    curves = curves_of(motions["walk"])
    before = curves.values.copy()
    thin_curves(curves, motions["walk"].skeleton, pose_of(motions["walk"]))
    np.testing.assert_array_equal(curves.values, before)


def test_bad_curves_are_refused():
    with pytest.raises(InputError, match="max_error_m"):
        CurveSettings(max_error_m=0.0)
    good = np.zeros((1, 5))
    one = np.zeros(1, np.intp)
    with pytest.raises(InputError, match="curves"):
        Curves(good * np.nan, one, one, np.array([True]))
    with pytest.raises(InputError, match="curves"):
        Curves(good, np.zeros(2, np.intp), one, np.array([True]))
    with pytest.raises(InputError, match="no frames"):
        Curves(np.zeros((1, 0)), one, one, np.array([True]))
