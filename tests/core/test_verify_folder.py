"""A set and its folder: strays, links, pipes, and clips in files of their own."""

from __future__ import annotations

import os
import re
import shutil

import pytest

import damaged_sets
from damaged_sets import nothing, problems, relist, rest, rewrite
from takemill.base.errors import FileError
from takemill.sets.verify import notes_of, verify_set
from takemill.shell import cli


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """A folder with a set, the clips in it, and what its list should say."""
    return damaged_sets.make(tmp_path_factory.mktemp("set") / "set", "[reduce]\nplanted_error_m = 0.0005\n")


@pytest.fixture
def folder(made, tmp_path):
    shutil.copytree(made[0], tmp_path / "set")
    return tmp_path / "set"


@pytest.mark.skipif(os.name != "posix", reason="pipes, devices and links")
@pytest.mark.parametrize("name", ["../secret.html", "/dev/zero", "pipe", "link", "below/secret.html"])
def test_what_is_no_plain_file_of_the_folder_is_refused_and_not_opened(folder, name):
    (folder.parent / "secret.html").write_bytes(b"secret")
    os.mkfifo(folder / "pipe")  # to open it would wait for ever
    (folder / "link").symlink_to("report.html")
    (folder / "below").symlink_to("..")
    relist(folder, lambda said: said["files"].append({"name": name, "bytes": 6, "sha256": "0" * 64}))
    found = problems(folder)
    assert any("not opened" in text or "not followed" in text for text in found), found
    relist(folder, lambda said: said["clips"][0].update(file=name))
    assert any("not opened" in text or "not followed" in text for text in problems(folder))


@pytest.mark.skipif(os.name != "posix", reason="pipes")
def test_a_list_that_is_a_pipe_is_refused(folder):
    (folder / "clips.json").unlink()
    os.mkfifo(folder / "clips.json")
    with pytest.raises(FileError, match="no plain file"):
        verify_set(folder)


def test_stray_files_are_named(folder, capsys):
    """A clip of ours that the list lacks is a fault; what the user put there, or was kept, is only said."""
    (folder / "old").mkdir()
    shutil.copy(folder / "set.glb", folder / "old" / "SET.GLB")
    (found,) = problems(folder)
    assert found.startswith(
        "old/SET.GLB: it holds 4 clips of Takemill's (such as 'walk') and is not of the set;"
    )
    (folder / "old" / "SET.GLB").unlink()
    (folder / "lantern.glb").write_bytes(b"a lantern")
    (folder / "report.html.kept").write_bytes(b"notes")
    assert problems(folder) == []
    assert cli.main(["verify", str(folder)]) == 0
    out = capsys.readouterr().out
    assert "lantern.glb: a GLB that is not of the set" in out
    assert "report.html.kept: changed by somebody after an earlier pack, and kept" in out
    assert len(notes_of(folder)) == 2


@pytest.fixture(scope="module")
def parted(tmp_path_factory):
    """A set whose clips are apart from the mesh."""
    return damaged_sets.make(tmp_path_factory.mktemp("parted") / "set", 'files = "separate"\n')[0]


PARTED = {
    "nothing": ("set.glb", nothing, None),
    "a bone of another length": (
        "set.glb",
        rest("left_foot", translation=[0.0, 0.5, 0.0]),
        "clips/walk.glb: .*/left_foot rests elsewhere",
    ),
    "a bone turned in a clip's file": (
        "clips/off.glb",
        rest("left_foot", rotation=[0.0, 0.6, 0.0, 0.8]),
        "clips/off.glb: .*/left_foot rests elsewhere",
    ),
    "a bone renamed": (
        "set.glb",
        rest("spine", name="back"),
        "clips/walk.glb: .*/spine is moved, and is not in the file with the mesh",
    ),
    "another object above": ("set.glb", rest("skeleton", name="rig"), "is not in the file with the mesh"),
    "an empty file": ("set.glb", lambda t: t.clear(), "set.glb: there is no joint 'hips'"),
}


@pytest.mark.parametrize("what", PARTED)
def test_clips_apart_find_their_joints_by_path_in_the_file_with_the_mesh(parted, tmp_path, what):
    file, change, message = PARTED[what]
    folder = tmp_path / "set"
    shutil.copytree(parted, folder)
    rewrite(folder, change, file=file)
    found = problems(folder)
    if message is None:
        assert found == []
    else:
        assert any(re.search(message, text) for text in found), found
