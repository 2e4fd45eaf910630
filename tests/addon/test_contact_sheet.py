"""Contact sheets, rendered for real: a figure in every cell, and nothing left behind in the file."""

from __future__ import annotations

import bpy
import numpy as np
import pytest

import synthetic
from blender_scene import choose, empty_scene, import_bvh, place, skinned_cloth
from takemill_addon.bridge.clips import sheet_scene
from takemill_addon.bridge.clips.clip_record import ClipRecord
from takemill_addon.bridge.clips.contact_sheet import render_sheet
from takemill_addon.bridge.clips.sheet_cast import cast_of
from takemill_addon.bridge.clips.sheet_poses import poses_of, remove_poses
from takemill_addon.bridge.takes import stage

pytestmark = pytest.mark.usefixtures("addon")
takemill = bpy.ops.takemill
ROW = 96
LARGE_ROW = 384  # where heights are measured: in smaller rows a small figure's bones are thinner than a pixel


@pytest.fixture
def suit(tmp_path):
    empty_scene(30)
    armature = import_bvh(synthetic.walk(rate=30, steps=3).motion, tmp_path)
    takemill.map_body()
    place(armature)
    bpy.context.scene.frame_set(7)
    return armature


def pixels_of(path) -> np.ndarray:
    """The picture (H, W, 3), its first row on top."""
    image = bpy.data.images.load(str(path))
    wide, high = image.size
    flat = np.empty(wide * high * image.channels, np.float32)
    image.pixels.foreach_get(flat)
    bpy.data.images.remove(image)
    return flat.reshape(high, wide, -1)[::-1, :, :3]


def cells_of(picture: np.ndarray, count: int) -> list[np.ndarray]:
    """The figures' parts of the cells, without title and labels."""
    columns = min(count, sheet_scene.COLUMNS)
    rows = -(-count // columns)
    title = round(len(picture) * sheet_scene.TITLE_ROWS / (rows + sheet_scene.TITLE_ROWS))
    return [
        cell[: round(0.8 * len(cell))]
        for row in np.array_split(picture[title:], rows)
        for cell in np.array_split(row, columns, axis=1)
    ][:count]


def gap(one: np.ndarray, other: np.ndarray) -> float:
    high, wide = np.minimum(one.shape[:2], other.shape[:2])
    return float(np.abs(one[:high, :wide] - other[:high, :wide]).mean())


def everything() -> dict[str, list[str]]:
    kinds = [
        name for name in dir(bpy.data) if isinstance(getattr(bpy.data, name), bpy.types.bpy_prop_collection)
    ]
    return {kind: sorted(item.name for item in getattr(bpy.data, kind)) for kind in kinds}


@pytest.mark.parametrize("dressed", [True, False])
def test_every_cell_holds_a_figure_of_its_own(suit, tmp_path, dressed):
    """A rig with a mesh, and one without, whose bones are drawn."""
    if dressed:
        skinned_cloth(suit)
    before, action = everything(), suit.animation_data.action
    path = tmp_path / "walk.png"
    takemill.contact_sheet(filepath=str(path), count=10, row_px=ROW)
    picture = pixels_of(path)
    assert len(picture) == pytest.approx(ROW * (2 + sheet_scene.TITLE_ROWS), abs=2)
    paper = np.median(picture.reshape(-1, 3), axis=0)
    assert paper.min() > 0.5
    cells = cells_of(picture, 10)
    inked = [(np.abs(cell - paper).max(axis=-1) > 0.1) for cell in cells]
    for mask in inked:
        assert 0.02 < mask[4:-4, 4:-4].mean() < 0.6
        assert not mask[: len(mask) // 40 + 1].any()  # no head leaves its cell
    # The seventh of ten poses of a walk is not the first; the last of all is the body at rest again.
    assert gap(cells[0], cells[6]) > 0.01
    assert everything() == before
    assert (bpy.context.scene.frame_current, suit.animation_data.action) == (7, action)


def test_a_loop_leaves_its_last_pose_out(suit, tmp_path):
    action = suit.animation_data.action
    sizes = []
    for loop in (False, True):
        ClipRecord(loop=loop).keep(action)
        path = tmp_path / f"{loop}.png"
        takemill.contact_sheet(filepath=str(path), count=2, row_px=ROW)
        sizes.append(cells_of(pixels_of(path), 2))
    (_, end), (_, middle) = sizes
    assert gap(end, middle) > 0.01


def test_a_picture_that_cannot_be_written_leaves_nothing(suit, tmp_path):
    before = everything()
    with pytest.raises(RuntimeError, match="cannot write"):
        takemill.contact_sheet(filepath=str(tmp_path / "gone" / "walk.png"), count=1, row_px=64)
    assert everything() == before
    assert not list(tmp_path.rglob("*.png"))
    assert suit.animation_data.action


def test_another_blender_renders_the_same_and_leaves_nothing_when_it_is_stopped(suit, tmp_path, monkeypatch):
    """As in a window, which goes on being drawn."""
    before, scratch = everything(), tmp_path / "scratch"
    scratch.mkdir()
    monkeypatch.setattr("tempfile.tempdir", str(scratch))
    pictures = []
    for here in (True, False):
        path, poses = (
            tmp_path / f"{here}.png",
            poses_of(bpy.context, suit, suit.animation_data.action, 1, False),
        )
        path.write_bytes(render_sheet([poses], "walk", 64, (), here))
        pictures.append(pixels_of(path))
        remove_poses(poses)
    np.testing.assert_allclose(pictures[1], pictures[0], atol=0.01)
    poses = poses_of(bpy.context, suit, suit.animation_data.action, 1, False)
    steps = render_sheet.steps([poses], "walk", 64, (), False)
    job = next(steps)
    job.start()
    assert job.goes_on(0.1)
    assert list(scratch.iterdir())
    job.stop()
    steps.close()
    job.join()
    remove_poses(poses)
    assert not list(scratch.iterdir())
    assert everything() == before


@pytest.mark.usefixtures("suit")
def test_one_pose(tmp_path):
    path = tmp_path / "one.png"
    takemill.contact_sheet(filepath=str(path), count=1, row_px=64)
    (cell,) = cells_of(pixels_of(path), 1)
    assert cell.std() > 0.03


def test_a_character_faces_the_viewer_as_the_clip_begins(tmp_path):
    """Wherever the take leads, and however the rig stands in the scene: the picture is the same."""
    pictures = []
    for turn, walk in (
        (0.0, synthetic.walk(rate=30, steps=2)),
        (2.0, synthetic.walk(rate=30, steps=2, turn_deg=140)),
    ):
        empty_scene(30)
        armature = import_bvh(walk.motion, tmp_path)
        takemill.map_body()
        armature.rotation_euler[2] = turn
        action = armature.animation_data.action
        action.use_frame_range = True
        first = action.frame_start = walk.steady[0] if turn == 0.0 else len(walk.motion) - 3
        action.frame_end = first + 1
        takemill.contact_sheet(filepath=str(tmp_path / "sheet.png"), count=1, row_px=ROW)
        pictures.append(cells_of(pixels_of(tmp_path / "sheet.png"), 1)[0])
    paper = np.median(pictures[0].reshape(-1, 3), axis=0)
    for picture in pictures:  # of a body seen from the front, about as much lies left as right
        ink = np.abs(picture - paper).max(axis=-1) > 0.1
        left, right = ink[:, : ink.shape[1] // 2].sum(), ink[:, ink.shape[1] // 2 :].sum()
        assert 0.6 < left / right < 1.7
    assert (
        abs(
            (np.abs(pictures[0] - paper).max(axis=-1) > 0.1).mean()
            - (np.abs(pictures[1] - paper).max(axis=-1) > 0.1).mean()
        )
        < 0.05
    )


def test_performer_and_characters_stand_in_the_same_frames(tmp_path):
    """A row for each, the performer's first, at one scale; one that is asked for alone has one row."""
    empty_scene(30)
    take = import_bvh(synthetic.walk(rate=30, steps=3).motion, tmp_path, "suit")
    takemill.map_body()
    cast = []
    for name, size in (("mate", 0.6), ("cook", 1.1)):
        one = import_bvh(synthetic.idle(rate=30, scale=size, duration_s=1).motion, tmp_path, name, root=True)
        one.animation_data_clear()
        one.name = name
        cast.append(one)
    stage.activate(bpy.context, take)
    choose(*cast)
    takemill.fit_take()
    stage.activate(bpy.context, cast[0])
    made = cast_of(bpy.context, cast[0], cast[0].animation_data.action)
    assert [one.name for one, _ in made] == ["suit", "cook", "mate"]
    stage.activate(bpy.context, take)
    assert [one.name for one, _ in cast_of(bpy.context, take, take.animation_data.action)] == [
        "suit", "cook", "mate",
    ]  # fmt: skip
    heights = {}
    for everybody, rows in ((True, 3), (False, 1)):
        path = tmp_path / f"{everybody}.png"
        takemill.contact_sheet(filepath=str(path), count=3, row_px=LARGE_ROW, everybody=everybody)
        picture = pixels_of(path)
        assert len(picture) == pytest.approx(LARGE_ROW * (rows + sheet_scene.TITLE_ROWS), abs=2)
        heights[rows] = picture
    title = round(len(heights[3]) * sheet_scene.TITLE_ROWS / (3 + sheet_scene.TITLE_ROWS))
    tall = [ink_height(row) for row in np.array_split(heights[3][title:], 3)]
    assert tall[2] / tall[1] == pytest.approx(0.6 / 1.1, rel=0.12), "all at one scale: cook, then mate"


def ink_height(row: np.ndarray) -> int:
    """How many lines of pixels a row of figures covers, without its label."""
    row = row[: round(0.8 * len(row))]
    ink = np.abs(row - np.median(row.reshape(-1, 3), axis=0)).max(axis=-1) > 0.1
    return int(ink.any(axis=1).sum())
