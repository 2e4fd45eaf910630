"""Rotation algebra against scipy.spatial.transform.Rotation, exact answers, and both sides of each switch."""

from __future__ import annotations

from itertools import permutations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays
from scipy.spatial.transform import Rotation, Slerp

import reference
from takemill.base.errors import InputError
from takemill.maths import quat

ORDERS = ["".join(order) for order in permutations("XYZ")]
RNG = np.random.default_rng(11)
HALF = np.sqrt(0.5)


def scipy_of(q) -> Rotation:
    return Rotation.from_quat(np.roll(np.asarray(q).reshape(-1, 4), -1, axis=-1))


def of_scipy(rotation: Rotation) -> np.ndarray:
    return np.roll(rotation.as_quat(), 1, axis=-1)


def random_rotations(*shape: int) -> np.ndarray:
    return quat.normalize(RNG.normal(size=(*shape, 4)))


def assert_same_turn(a, b, atol: float = 1e-12) -> None:
    """Equal as rotations: the sign does not matter."""
    assert quat.angle_between(np.asarray(a), np.asarray(b)).max() < atol


numbers = st.floats(-1, 1, allow_subnormal=False)
units = arrays(np.float64, 4, elements=numbers).filter(lambda q: np.linalg.norm(q) > 1e-3).map(quat.normalize)
vectors = arrays(np.float64, 3, elements=st.floats(-10, 10, allow_subnormal=False))


@given(units, units, units)
def test_products_are_associative_and_keep_unit_length(a, b, c):
    np.testing.assert_allclose(quat.mul(quat.mul(a, b), c), quat.mul(a, quat.mul(b, c)), atol=1e-14)
    assert np.linalg.norm(quat.mul(a, b)) == pytest.approx(1, abs=1e-14)


@given(units, vectors)
def test_rotating_back_gives_the_vector(q, v):
    np.testing.assert_allclose(quat.rotate(quat.inv(q), quat.rotate(q, v)), v, atol=1e-13)


@given(units)
def test_log_and_exp_undo_each_other(q):
    assert_same_turn(quat.exp(quat.log(q)), q)
    assert np.linalg.norm(quat.log(q)) <= np.pi + 1e-15


@given(units, units, st.floats(0, 1))
def test_slerp_runs_at_even_speed_along_the_shorter_way(a, b, t):
    whole = quat.angle_between(a, b)
    assert quat.angle_between(a, quat.slerp(a, b, t)) == pytest.approx(t * whole, abs=1e-12)
    assert quat.angle_between(b, quat.slerp(a, b, t)) == pytest.approx((1 - t) * whole, abs=1e-12)


def test_products_and_turned_vectors_are_scipys():
    a, b, v = random_rotations(50), random_rotations(50), RNG.normal(size=(50, 3))
    assert_same_turn(quat.mul(a, b), of_scipy(scipy_of(a) * scipy_of(b)))
    np.testing.assert_allclose(quat.rotate(a, v), scipy_of(a).apply(v), atol=1e-13)
    np.testing.assert_allclose(quat.angle(a), scipy_of(a).magnitude(), atol=1e-13)


def test_leading_axes_broadcast():
    a, b, v = random_rotations(5, 1), random_rotations(3), RNG.normal(size=(3, 3))
    product, turned = quat.mul(a, b), quat.rotate(a, v)
    assert product.shape == (5, 3, 4)
    assert turned.shape == (5, 3, 3)
    np.testing.assert_array_equal(product[2, 1], quat.mul(a[2, 0], b[1]))
    np.testing.assert_array_equal(turned[4, 2], quat.rotate(a[4, 0], v[2]))
    rows, table = random_rotations(3), random_rotations(3, 3)  # as many of each, which are not the same axis
    np.testing.assert_array_equal(quat.mul(rows, table)[0, 2], quat.mul(rows[2], table[0, 2]))


def test_a_quarter_turn_about_z_takes_x_to_y():
    q = np.array([HALF, 0, 0, HALF])
    np.testing.assert_allclose(quat.rotate(q, np.array([1.0, 0, 0])), [0, 1, 0], atol=1e-15)
    assert quat.yaw(q) == pytest.approx(np.pi / 2)


def test_the_right_factor_is_applied_first():
    about_z, about_x = np.array([HALF, 0, 0, HALF]), np.array([HALF, HALF, 0, 0])
    turned = quat.rotate(quat.mul(about_z, about_x), np.array([0, 1.0, 0]))
    np.testing.assert_allclose(turned, [0, 0, 1], atol=1e-15)  # Y to Z about X; Z stays about Z


def test_the_shared_identity_cannot_be_written():
    with pytest.raises(ValueError, match="read-only"):
        quat.IDENTITY[0] = 2.0


def test_a_zero_quaternion_becomes_the_identity():
    np.testing.assert_array_equal(quat.normalize(np.zeros((2, 4))), [quat.IDENTITY] * 2)
    np.testing.assert_allclose(quat.normalize(np.array([0, 3.0, 0, 4.0])), [0, 0.6, 0, 0.8])


@pytest.mark.parametrize("size", [0.0, 1e-300, 1e-12, 9.9e-7, 1.01e-6, 5e-3, 1.0, np.pi - 1e-9, np.pi])
def test_exp_is_scipys_on_both_sides_of_the_small_angle_switch(size):
    v = size * np.array([0.6, 0.0, -0.8])
    np.testing.assert_allclose(quat.exp(v), of_scipy(Rotation.from_rotvec(v)), rtol=1e-14)


@pytest.mark.parametrize("half", [0.0, 1e-300, 1e-12, 9.9e-7, 1.01e-6, 1e-3, 1.0, np.pi / 2])
def test_log_keeps_the_digits_of_small_angles(half):
    axis = np.array([0.36, 0.48, 0.80])
    q = np.concatenate([[np.cos(half)], np.sin(half) * axis])
    np.testing.assert_allclose(quat.log(q), 2 * half * axis, rtol=1e-12)
    np.testing.assert_allclose(quat.log(-q), quat.log(q), rtol=1e-12)


def test_log_of_minus_one_is_no_turn():
    np.testing.assert_array_equal(quat.log(-quat.IDENTITY), np.zeros(3))
    assert quat.angle(-quat.IDENTITY) == 0


def test_angles_keep_their_digits_near_zero_and_near_a_half_turn():
    for turn in (1e-10, 1e-5, np.pi - 1e-7):
        q = quat.from_axis_angle(np.array([0.0, 2.0, 0.0]), turn)
        assert quat.angle(q) == pytest.approx(turn, rel=1e-12)


def test_slerp_is_scipys():
    a, b = random_rotations(20), random_rotations(20)
    for t in (0.0, 0.25, 0.7, 1.0):
        ours = quat.slerp(a, b, t)
        for k in range(20):
            theirs = Slerp([0, 1], scipy_of(np.stack([a[k], b[k]])))(t)
            assert_same_turn(ours[k], of_scipy(theirs))


def test_slerp_takes_one_place_for_each_rotation():
    a, b, t = random_rotations(4, 3), random_rotations(4, 3), RNG.uniform(size=(4, 1))
    np.testing.assert_allclose(quat.slerp(a, b, t)[2, 1], quat.slerp(a[2, 1], b[2, 1], t[2, 0]))


def test_continuous_signs_never_jump_and_change_no_rotation():
    walk = quat.exp(np.cumsum(RNG.normal(scale=0.3, size=(300, 4, 3)), axis=0))
    shaken = walk * RNG.choice([-1.0, 1.0], size=(300, 4, 1))
    smooth = quat.continuous(shaken)
    assert (np.einsum("fji,fji->fj", smooth[1:], smooth[:-1]) > 0).all()
    assert_same_turn(smooth, walk, 1e-7)
    np.testing.assert_array_equal(smooth[0], shaken[0])
    np.testing.assert_array_equal(quat.continuous(shaken[:1]), shaken[:1])


@given(vectors.filter(lambda v: np.linalg.norm(v) > 1e-3), vectors.filter(lambda v: np.linalg.norm(v) > 1e-3))
def test_between_takes_one_direction_onto_the_other(u, v):
    q = quat.between(u, v)
    turned = quat.rotate(q, u / np.linalg.norm(u))
    np.testing.assert_allclose(turned, v / np.linalg.norm(v), atol=1e-7)
    assert np.linalg.norm(q) == pytest.approx(1, abs=1e-12)


@pytest.mark.parametrize("off", [0.0, 1e-12, 1e-8, 3e-8, 1e-7, 1.3e-6, 1.5e-6, 1e-4])
def test_between_opposite_directions_on_both_sides_of_its_switch(off):
    for u in (np.array([0, 0, 1.0]), np.array([0.6, 0.0, 0.8]), np.array([1.0, 2.0, -2.0]) / 3):
        side = np.cross(u, [0.3, 0.9, 0.1])
        v = -np.cos(off) * u + np.sin(off) * side / np.linalg.norm(side)
        q = quat.between(u, v)
        np.testing.assert_allclose(quat.rotate(q, u), v, atol=6e-8)
        assert quat.angle(q) == pytest.approx(np.pi - off, abs=6e-8)


def test_between_is_the_smallest_turn():
    u, v = RNG.normal(size=(40, 3)), RNG.normal(size=(40, 3))
    cosine = np.einsum("ki,ki->k", u, v) / np.linalg.norm(u, axis=1) / np.linalg.norm(v, axis=1)
    np.testing.assert_allclose(quat.angle(quat.between(u, v)), np.arccos(cosine), atol=1e-7)


def test_yaw_and_from_yaw_undo_each_other():
    headings = np.linspace(-np.pi + 1e-9, np.pi, 37)
    np.testing.assert_allclose(quat.yaw(quat.from_yaw(headings)), headings, atol=1e-14)
    np.testing.assert_allclose(quat.yaw(-quat.from_yaw(headings)), headings, atol=1e-14)
    np.testing.assert_allclose(
        of_scipy(Rotation.from_euler("z", headings[:, None])), quat.from_yaw(headings), atol=1e-15
    )


def test_yaw_is_the_twist_about_z():
    q = random_rotations(60)
    twist = reference.twist(q, np.array([0.0, 0.0, 1.0]))
    assert_same_turn(quat.from_yaw(quat.yaw(q)), twist)
    assert (np.abs(quat.yaw(q)) <= np.pi).all()


def test_matrices_are_scipys_and_come_back():
    q = random_rotations(6, 20)
    m = quat.to_matrix(q)
    np.testing.assert_allclose(m.reshape(-1, 3, 3), scipy_of(q).as_matrix(), atol=1e-14)
    back = quat.from_matrix(m)
    assert_same_turn(back, q)
    assert (back[..., 0] >= 0).all()
    np.testing.assert_allclose(quat.rotate(q, np.array([0.0, 1, 0])), m[..., 1], atol=1e-14)


@pytest.mark.parametrize("axis", [*np.eye(3), [1, 1, 0], [1, -1, 1], [0, 1e-5, 1]])
@pytest.mark.parametrize("turn", [0.0, 1e-9, np.pi / 2, np.pi - 1e-9, np.pi])
def test_each_of_the_four_ways_from_a_matrix(axis, turn):
    q = quat.from_axis_angle(np.array(axis, float), turn)
    assert_same_turn(quat.from_matrix(quat.to_matrix(q)), q, 1e-9)


def test_axis_and_angle_are_scipys_for_axes_of_any_length():
    axes, turns = RNG.normal(size=(30, 3)) * 5, RNG.uniform(-7, 7, 30)
    unit = axes / np.linalg.norm(axes, axis=1, keepdims=True)
    assert_same_turn(quat.from_axis_angle(axes, turns), of_scipy(Rotation.from_rotvec(unit * turns[:, None])))
    np.testing.assert_array_equal(quat.from_axis_angle(np.zeros(3), 1.0), quat.IDENTITY)


@pytest.mark.parametrize("order", ORDERS)
def test_euler_angles_are_scipys_in_every_order(order):
    """SciPy's upper-case sequence is intrinsic: the first letter's turn is applied last, as ours."""
    angles = RNG.uniform(-np.pi, np.pi, size=(80, 3))
    q = quat.from_euler(angles, order)
    assert_same_turn(q, of_scipy(Rotation.from_euler(order, angles)))
    ours = quat.to_euler(q, order)
    np.testing.assert_allclose(ours, scipy_of(q).as_euler(order), atol=1e-9)
    assert_same_turn(quat.from_euler(ours, order), q)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("away", [0.0, 0.9e-12, 2e-12, 1e-9, 1e-7, 1e-4])
@pytest.mark.parametrize("sign", [1, -1])
def test_euler_angles_on_both_sides_of_the_pole_switch(order, away, sign):
    q = quat.from_euler(np.array([0.7, sign * (np.pi / 2 - away), -1.9]), order)
    assert_same_turn(quat.from_euler(quat.to_euler(q, order), order), q, 3e-12)


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("sign", [1, -1])
def test_at_the_pole_the_last_angle_is_nothing(order, sign):
    angles = RNG.uniform(-np.pi, np.pi, size=(200, 3))
    angles[:, 1] = sign * np.pi / 2
    q = quat.from_euler(angles, order)
    assert np.abs(quat.to_euler(q, order)[:, 2]).max() == 0
    assert_same_turn(quat.from_euler(quat.to_euler(q, order), order), q, 3e-12)


@pytest.mark.parametrize("order", ["", "XY", "XYX", "xyz", "XYZZ"])
def test_an_order_that_is_no_permutation_is_refused(order):
    with pytest.raises(InputError, match="X, Y and Z, each once"):
        quat.from_euler(np.zeros(3), order)
    with pytest.raises(InputError, match="X, Y and Z, each once"):
        quat.to_euler(quat.IDENTITY, order)


def test_continuous_euler_takes_the_nearer_reading_in_every_frame():
    """Against the slow twin: a loop over frames that compares both readings with the frame before."""
    walk = quat.exp(np.cumsum(RNG.normal(scale=0.25, size=(400, 3)), axis=0))
    angles = quat.to_euler(walk, "ZXY")
    ours = quat.continuous_euler(angles)
    slow = [angles[0]]
    for a, b, c in angles[1:]:
        readings = [np.array(r) for r in ((a, b, c), (a + np.pi, np.pi - b, c + np.pi))]
        near = [r + 2 * np.pi * np.round((slow[-1] - r) / (2 * np.pi)) for r in readings]
        slow.append(min(near, key=lambda r: np.abs(r - slow[-1]).sum()))
    np.testing.assert_allclose(ours, slow, atol=1e-9)
    assert_same_turn(quat.from_euler(ours, "ZXY"), walk)
    np.testing.assert_array_equal(quat.continuous_euler(angles[:1]), angles[:1])


def test_nothing_writes_into_what_it_is_given():
    q, v = random_rotations(6, 2), RNG.normal(size=(6, 2, 3))
    for array in (q, v):
        array.setflags(write=False)
    quat.mul(q, q), quat.rotate(q, v), quat.exp(v), quat.log(q), quat.continuous(q), quat.slerp(q, q, 0.5)
    quat.between(v, v[::-1]), quat.to_euler(q, "XYZ"), quat.normalize(q)
    quat.continuous_euler(v), quat.from_matrix(quat.to_matrix(q)), quat.yaw(q), quat.inv(q), quat.angle(q)
    with pytest.raises(ValueError, match="read-only"):
        quat.IDENTITY[0] = 0


def test_arctan2_is_the_same_wherever_arrays_lie() -> None:
    """Columns of a table: numpy 1.26's own differs in the last bit about once in forty times."""
    values = np.random.default_rng(0).normal(size=(241, 3)) / 10
    rng, around, found = np.random.default_rng(1), [], set()
    for _ in range(600):
        around = [*around[-20:], np.empty(int(rng.integers(1, 3000)))]
        there = values.copy()
        found.add(quat.arctan2(there[:, 1], there[:, 0]).tobytes())
    assert len(found) == 1
    assert np.allclose(np.frombuffer(found.pop()), np.arctan2(values[:, 1], values[:, 0]), atol=1e-15)
    assert quat.arctan2(values[0, 1], values[0, 2]).shape == ()


def test_cross_is_numpy_s_to_the_last_digit():
    """numpy.cross, with leading axes that broadcast."""
    rng = np.random.default_rng(2)
    u, v = rng.normal(size=(7, 5, 3)), rng.normal(size=(5, 3))
    np.testing.assert_array_equal(quat.cross(u, v), np.cross(u, v))
    np.testing.assert_array_equal(quat.cross(u[0, 0], v[1]), np.cross(u[0, 0], v[1]))
