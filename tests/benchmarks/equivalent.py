"""Mutants that change nothing that anybody could see, for mutate.py, each with the reason."""

from __future__ import annotations

EQUIVALENT: dict[tuple[str, str], str] = {
    # (file, mutant as mutate.py prints it behind the line's number): why nobody can see it
    (
        "sensors/bridge.py",
        "for start, stop in zip(starts[edge], stops[edge], strict=True):  |  True  ->  False",
    ): "both are picked by one mask, so that they are of one length",
    (
        "loops/loop_search.py",
        "turns = np.angle((floor - centre) @ (floor - centre)[0].conj())  |  floor - centre  ->  floor + centre",
    ): "what is added to one factor is summed with the other, whose sum is zero",
    (
        "loops/loop_search.py",
        "turns = np.angle((floor - centre) @ (floor - centre)[0].conj())  |  floor - centre  ->  floor + centre (2)",
    ): "the same",
    (
        "sensors/spikes.py",
        "least, most = miss[:, _FIT_FRAMES:].min(axis=-1), miss[:, _FIT_FRAMES:].max(axis=-1)  |  -1  ->  1",
    ): "of two axes, 1 is the last",
    (
        "sensors/spikes.py",
        "least, most = miss[:, _FIT_FRAMES:].min(axis=-1), miss[:, _FIT_FRAMES:].max(axis=-1)  |  -1  ->  1 (2)",
    ): "of two axes, 1 is the last",
    (
        "fit/fit_feet.py",
        "knots = np.stack([starts, stops - 1], axis=-1).ravel() + np.tile([0.0, 1e-9], len(starts))  |  -1  ->  1",
    ): "of two axes, 1 is the last",
    (
        "files/glb_rig.py",
        "if not np.allclose((turn / np.where(scale == 0, 1, scale)) @ turn.T, np.diag(scale), atol=_MAX_SKEW):  |  1  ->  2",
    ): "it divides columns of length 0",
    (
        "files/glb.py",
        "turn = matrix[:3, :3] / np.where(scale == 0, 1, scale)  |  3  ->  4",
    ): "the fourth row of a matrix of translation, rotation and scale (glTF 2.0, 3.5.3) holds zeros there",
    (
        "body/upright.py",
        "parts.append(np.clip(trunk @ up / np.maximum(quat.length(trunk).max(), 1e-12), -1.0, 1.0))  |  1.0  ->  3.0",
    ): "no part of a vector along a unit vector is longer than the longest of them",
    (
        "body/upright.py",
        "parts.append(np.clip(trunk @ up / np.maximum(quat.length(trunk).max(), 1e-12), -1.0, 1.0))  |  1.0  ->  3.0 (2)",
    ): "the same",
    (
        "files/glb_format.py",
        'buffers.insert(0, {"byteLength": 0})  |  0  ->  1 (2)',
    ): "`finish` writes the length, or takes the buffer away",
    (
        "body/body_map.py",
        "taken = low | set(tree.skeleton.path_to(legs[0][0]))  |  0  ->  1",
    ): "the leg's other joints are in `low` already",
    (
        "body/body_map.py",
        "taken = low | set(tree.skeleton.path_to(legs[0][0]))  |  0  ->  1 (2)",
    ): "of two joints above the two legs one alone makes no pair of arms",
    (
        "sensors/denoise.py",
        "along = np.where(np.abs(along) < 1e-3, np.copysign(1e-3, along), along)  |  0.001  ->  0.003",
    ): "only turns 179.7 to 179.9 degrees off the path change, which is no noise, to others that are as wrong",
    (
        "sensors/denoise.py",
        "along = np.where(np.abs(along) < 1e-3, np.copysign(1e-3, along), along)  |  0.001  ->  0.003 (2)",
    ): "only turns more than 179.9 degrees off the path change, to others that are as wrong",
    (
        "keys/reduce_error.py",
        "most = np.maximum.reduceat(rough, starts) - _ROUNDING_HEIGHTS * max(skeleton.height, 1)  |  _ROUNDING_HEIGHTS * max(skeleton.height, 1)  ->  _ROUNDING_HEIGHTS / max(skeleton.height, 1)",
    ): "the margin is wider than float32's loss either way: at a height of 175 m no worst frame is missed (tested)",
    (
        "clip/root_motion_shape.py",
        "steps = np.linalg.norm(np.diff(position[:, :2], axis=0), axis=-1)  |  -1  ->  1",
    ): "of two axes, 1 is the last",
    (
        "files/bvh.py",
        "other = np.stack([angles[:, 0] + np.pi, np.pi - angles[:, 1], angles[:, 2] + np.pi], axis=-1)  |  -1  ->  1",
    ): "of two axes, 1 is the last",
    (
        "body/body_map.py",
        "below = tree.skeleton.path_to(legs[0][0])  |  0  ->  1",
    ): "the other leg is as good: the paths to both differ in their legs alone, which carry no arms",
    (
        "body/body_map.py",
        "below = tree.skeleton.path_to(legs[0][0])  |  0  ->  1 (2)",
    ): "one more joint of a leg, which carries no arms",
    (
        "curves/hermite.py",
        "@lru_cache(maxsize=8)  |  8  ->  9",
    ): "how many are kept changes the time that it takes, and nothing else",
    (
        "sensors/segment_faults.py",
        "if len(segments) < 3 or len(world) < 3:  |  3  ->  4 (2)",
    ): "in three frames nothing is found: a dropout holds four, and all else needs more",
    (
        "health/profile.py",
        "_SAMPLES = 8192  # differences that show the noise to a hundredth  |  8192  ->  8193",
    ): "one difference more in 8192 changes the noise by less than the hundredth that it is known to",
    (
        "feet/pin_course.py",
        "for value, slope, distance, length in zip((a, b), (slope_a, -slope_b), distances, lengths, strict=True):  |  True  ->  False",
    ): "each of them holds two, one for either side of a gap",
    (
        "sensors/spikes.py",
        "bend = _bend_rad(rotations if len(good) == len(bad) else rotations[good])  |  rotations if len(good) == len(bad) else rotations[good]  ->  rotations[good]",
    ): "of all frames, a copy of the same",
    (
        "keys/reduce_error.py",
        "return half * np.divide(angle, size, out=np.full_like(size, 2), where=size > 0)  |  2  ->  3",
    ): "where a turn has no size, its half is zero whatever it is multiplied by",
}
