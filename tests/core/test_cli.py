"""The command line: what each verb prints and writes."""

from __future__ import annotations

import json
import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import numpy as np
import pytest

import corrupt
import small_takes
from reference_poses import arms, misalign, random_misalignments, take_with_pose
from takemill.files.bvh import read_bvh
from takemill.health.check import MEASURES
from takemill.maths import quat
from takemill.recipe.recipe import parse_recipe
from takemill.shell import cli

VERBS = ("check", "repair", "cuts", "recipe", "loops", "idle", "pack", "verify", "build", "watch", "demo")


@pytest.fixture(scope="module")
def take(tmp_path_factory):
    return small_takes.write(tmp_path_factory.mktemp("takes"))


def run(capsys, *arguments) -> str:
    assert cli.main([str(one) for one in arguments]) == 0
    out, err = capsys.readouterr()
    assert err == ""  # no progress where nobody looks
    return out


def test_help_teaches(capsys):
    with pytest.raises(SystemExit) as stop:
        cli.main(["--help"])
    assert stop.value.code == 0
    text = capsys.readouterr().out
    listed = dict(re.findall(r"^    ([a-z]+) +(\S[^\n]*(?:\n {14}[^\n]*)*)$", text, re.MULTILINE))
    assert set(listed) == set(VERBS)
    for verb in VERBS:
        assert f"takemill {verb}" in text
        with pytest.raises(SystemExit):
            cli.main([verb, "--help"])
        said = capsys.readouterr().out
        assert f"\n  takemill {verb}" in said, "an example in each"
        summary, about = (" ".join(one.split()) for one in (listed[verb], said.partition("\n\n")[2]))
        assert re.match(re.escape(summary) + "[.:;]", about), "no sentence is cut off in its middle"
        assert max(map(len, said.splitlines())) <= 112


def test_it_runs_as_a_module_and_says_its_version():
    out = subprocess.run(
        [sys.executable, "-m", "takemill", "--version"], check=True, capture_output=True, text=True
    ).stdout
    assert re.fullmatch(r"takemill \d+\.\d+\.\d+\n", out)


def test_check_prints_findings_and_contacts_for_programs(capsys, take):
    (said,) = json.loads(run(capsys, "check", take, "--json"))["takes"]
    motion, _ = read_bvh(take)
    assert (said["take"], said["frames"], said["rate"], said["joints"]) == ("walk", len(motion), 60.0, 21)
    assert len(said["sha256"]) == 64
    assert said["body"]["leftFoot"] == "left_foot"
    assert set(said["contacts"]) == {"leftFoot", "rightFoot"}
    for ranges in said["contacts"].values():
        assert ranges[0][0] == 0
        assert ranges[-1][1] == len(motion)
        assert all(0 <= start < stop <= len(motion) for start, stop in ranges)
    for finding in said["findings"]:
        assert set(finding) == {
            "kind", "joint", "start", "stop", "amount", "unit", "repaired", "message"
        }  # fmt: skip
    assert set(said["measures"]) >= {"jitter_deg", "skating_cm_s", "spike_frames"}


def test_check_prints_a_page_for_people(capsys, take):
    text = run(capsys, "check", take)
    assert text.startswith("walk: ")
    assert "skating of planted feet" in text
    assert run(capsys, "check", take, take).count("skating of planted feet") == 2


def test_repair_writes_the_same_joints_frames_and_rate(capsys, take, tmp_path):
    out = tmp_path / "repaired.bvh"
    said = json.loads(run(capsys, "repair", take, "-o", out, "--json"))
    old, old_layout = read_bvh(take)
    new, new_layout = read_bvh(out)
    assert new.skeleton.names == old.skeleton.names
    assert new.skeleton.parents == old.skeleton.parents
    assert (len(new), new.rate, new_layout) == (len(old), old.rate, old_layout)
    assert np.abs(new.skeleton.rest_translation - old.skeleton.rest_translation).max() < 1e-6
    assert set(said["measures"]) == {"before", "after"}
    assert said["measures"]["after"]["jitter_deg"] <= said["measures"]["before"]["jitter_deg"]
    text = run(capsys, "repair", take, "-o", out)
    assert "before  after" in text
    assert str(out) in text


def test_health_of_a_take_as_numbers_by_kind(capsys, tmp_path):
    take = small_takes.write(tmp_path, "bad.bvh", corrupt.corrupt(small_takes.stand_and_walk(), 2).motion)
    (said,) = json.loads(run(capsys, "check", take, "--json"))["takes"]
    kinds = {row["kind"]: row for row in said["kinds"]}
    for kind, row in kinds.items():
        mine = [one for one in said["findings"] if one["kind"] == kind]
        assert row["findings"] == len(mine)
        assert row["frames"] == sum(one["stop"] - one["start"] for one in mine)
        assert row["worst"]["amount"] == max(mine, key=lambda one: abs(one["amount"]))["amount"]
        assert "left" not in row
    assert {"spike", "frozen", "jitter", "floor_offset"} <= set(kinds)
    assert set(said["measures"]) == set(MEASURES)
    said = json.loads(run(capsys, "repair", take, "-o", tmp_path / "new.bvh", "--json"))
    after = {row["kind"]: row["left"] for row in said["kinds"]}
    assert (after["spike"], after["frozen"], after["floor_offset"]) == (0, 0, 0)
    text = run(capsys, "repair", take, "-o", tmp_path / "new.bvh")
    assert re.search(rf"\nspike +{kinds['spike']['findings']} +{kinds['spike']['findings']} +0 ", text)


def test_pages_of_health_are_written(capsys, take, tmp_path):
    text = run(capsys, "check", take, take, "--html", tmp_path / "a.html")
    assert text.endswith(f"the page is {tmp_path / 'a.html'}\n")
    assert (tmp_path / "a.html").read_text(encoding="utf-8").count("<article") == 2
    run(capsys, "repair", take, "-o", tmp_path / "m.bvh", "--html", tmp_path / "b.html", "--json")
    assert "Before and after" in (tmp_path / "b.html").read_text(encoding="utf-8")


def test_a_reference_pose_is_trimmed_and_taken_as_calibration(capsys, tmp_path):
    truth, _ = take_with_pose(arms())
    misalignments = random_misalignments(len(truth.skeleton), 3)
    take = small_takes.write(tmp_path, "posed.bvh", misalign(truth, misalignments))
    (found,) = [one for one in json.loads(run(capsys, "check", take, "--json"))["takes"][0]["findings"]
                if one["kind"] == "reference_pose"]  # fmt: skip
    out = tmp_path / "new.bvh"
    said = json.loads(run(capsys, "repair", take, "-o", out, "--trim", "--calibrate", "--json"))
    assert said["kept"] == [found["stop"], len(truth)]
    assert said["frames"] == len(truth)
    repaired, _ = read_bvh(out)
    assert len(repaired) == len(truth) - found["stop"]
    for name in ("left_upper_arm", "right_lower_arm", "head", "left_foot"):
        new, old = (one.skeleton.index(name) for one in (repaired, truth))
        off = quat.angle_between(repaired.rotations[:, new], truth.rotations[found["stop"] :, old])
        assert np.degrees(off).max() < 1
    assert "frames " in run(capsys, "repair", take, "-o", out, "--trim").splitlines()[-1]
    recipe = tmp_path / "set.toml"
    recipe.write_text("[repair]\ntrim = true\ncalibration = true\n")
    by_recipe = tmp_path / "by_recipe.bvh"
    run(capsys, "repair", take, "-o", by_recipe, "--recipe", recipe)
    run(capsys, "repair", take, "-o", out, "--trim", "--calibrate")
    assert by_recipe.read_bytes() == out.read_bytes()
    walk = small_takes.write(tmp_path)
    assert run(capsys, "repair", walk, "-o", out, "--trim").endswith("has no pose to trim\n")
    assert len(read_bvh(out)[0]) == len(small_takes.stand_and_walk())


def test_cuts_can_be_edited_and_packed(capsys, take, tmp_path):
    cuts = json.loads(run(capsys, "cuts", take, "--json"))["cuts"]
    assert "locomotion" in {cut["kind"] for cut in cuts}
    assert all(cut["name"] in run(capsys, "cuts", take) for cut in cuts[:1])
    text = run(capsys, "cuts", take, "--toml")
    recipe = parse_recipe(text)
    assert [clip.name for clip in recipe.clips] == [cut["name"] for cut in cuts]
    assert [clip.frames(10**6, 60.0) for clip in recipe.clips] == [
        (cut["start"], cut["stop"]) for cut in cuts
    ]
    assert recipe.neutral == next(cut["name"] for cut in cuts if cut["kind"] == "idle")
    assert parse_recipe(text.replace("# blend_frames", "blend_frames")).blend_frames == 6
    assert "name" in tomllib.loads(text)["clip"][0]
    (tmp_path / "set.toml").write_text(text)
    run(capsys, "pack", take, "--recipe", tmp_path / "set.toml", "--out", tmp_path / "out")
    suggested = json.loads(run(capsys, "pack", take, "--out", tmp_path / "out2", "--json"))
    packed = json.loads((tmp_path / "out" / "clips.json").read_text())
    assert len(packed["clips"]) == len(suggested["clips"]) == len(cuts)
    for one, other, cut in zip(packed["clips"], suggested["clips"], cuts, strict=True):
        assert one["settings"] != other["settings"]  # a neutral clip is named
        for facts in (one.pop("asked"), other.pop("asked")):  # in seconds, and in frames
            assert facts.pop("from") in (f"{cut['start']}f", pytest.approx(cut["start"] / 60, abs=5e-4))
            assert facts.pop("to") in (
                f"{cut['stop'] - 1}f", pytest.approx((cut["stop"] - 1) / 60, abs=5e-4)
            )  # fmt: skip
            assert facts.pop("loop", False) == cut["loop"]
            assert facts.pop("search", True) == (not cut["exact"])
            assert {facts.pop(key, "") for key in ("follows", "leads_to")} == {
                cut["follows"],
                cut["leads_to"],
            }
            assert facts.pop("kind") == cut["kind"]
            assert facts.pop("root_motion", "root") == {"idle": "in_place"}.get(cut["kind"], "root")
            assert not facts
        del one["settings"], other["settings"]
        assert one == other


def test_a_shot_list_names_the_cuts_and_says_what_no_cut_fits(capsys, take):
    plain = json.loads(run(capsys, "cuts", take, "--json"))["cuts"]
    text = run(capsys, "cuts", take, "--shots", "breathe, set_off_walking, jab", "--parts")
    assert "no cut fits the name 'jab' of the shot list" in text
    named = json.loads(run(capsys, "cuts", take, "--shots", "breathe,set_off_walking", "--json"))["cuts"]
    parts = [f"set_off_walking_{part}" for part in ("start", "loop", "stop")]
    assert [one["name"] for one in named[:4]] == ["breathe", *parts]
    assert "no cut fits" not in run(capsys, "cuts", take, "--shots", "breathe,set_off_walking")
    whole = run(capsys, "cuts", take, "--shots", "breathe,set_off_walking", "--whole-gaits", "--json")
    assert [one["name"] for one in json.loads(whole)["cuts"][:2]] == ["breathe", "set_off_walking"]
    assert [one["kind"] for one in named] == [one["kind"] for one in plain]
    assert cli.main(["cuts", str(take), "--shots", "a/b"]) == 2
    assert "[cuts] shot_list" in capsys.readouterr().err


def test_pack_makes_what_it_can_and_names_the_rest(capsys, take, tmp_path):
    recipe, out = tmp_path / "set.toml", tmp_path / "out"
    recipe.write_text(
        '[[clip]]\nname = "stand"\nfrom = 0\nto = 1.9\n\n'
        '[[clip]]\nname = "hop"\nfrom = 0\nto = 0.4\nloop = true\n'
    )
    assert cli.main(["pack", str(take), "--recipe", str(recipe), "--out", str(out), "--json"]) == 1
    text, err = capsys.readouterr()
    assert err == ""
    (line,) = json.loads(text)["not_made"]
    assert line.startswith("not made: clip 'hop': ")
    assert [one["name"] for one in json.loads((out / "clips.json").read_text())["clips"]] == ["stand"]
    assert cli.main(["verify", str(out), str(take), "--recipe", str(recipe)]) == 1
    assert "clip 'hop' of the recipe cannot be made" in capsys.readouterr().out


def test_loops_are_ranked_within_the_stretch(capsys, take):
    said = json.loads(run(capsys, "loops", take, "--from", "3.5", "--to", "480f", "--json"))["loops"]
    assert said
    for loop in said:
        assert 210 <= loop["start"] < loop["end"] <= 480
        assert loop["from_s"] == pytest.approx(loop["start"] / 60, abs=1e-6)
    assert (said[0]["end"] - said[0]["start"]) % 66 in (0, 1, 65)  # two steps of 0.55 s at 60 fps
    assert len(run(capsys, "loops", take, "--from", "3.5", "--to", "8", "--count", "2").splitlines()) == 4


def test_pack_writes_a_set(capsys, take, tmp_path):
    out = tmp_path / "deep" / "set"
    text = run(capsys, "pack", take, "--out", out)
    assert sorted(os.listdir(out)) == ["clips.json", "report.html", "walk.glb"]
    assert str(out) in text
    data = json.loads((out / "clips.json").read_text())
    assert all(clip["name"] in text for clip in data["clips"])


def test_repair_says_as_many_left_as_its_table_shows(capsys, tmp_path):
    """An ankle beyond its range is no sensor's fault: it is found, and stays."""
    text = run(capsys, "repair", small_takes.write(tmp_path), "-o", tmp_path / "out.bvh")
    rows = text.split("the worst  at")[1].split("\n\n")[0].splitlines()[1:]
    counts = [sum(int(row.split()[column]) for row in rows) for column in (1, 2, 3)]
    assert counts[2]
    assert (
        "{} finding{}: {} repaired, {} left; written".format(counts[0], "s" * (counts[0] > 1), *counts[1:])
        in text
    )


def test_pack_says_what_it_kept(capsys, take, tmp_path):
    out = tmp_path / "set"
    run(capsys, "pack", take, "--out", out)
    (out / "report.html").write_bytes(b"notes of mine")
    text = run(capsys, "pack", take, "--out", out)
    assert "report.html was changed after it was packed; it is kept as report.html.kept" in text
    assert (out / "report.html.kept").read_bytes() == b"notes of mine"
    (out / "walk.glb").write_bytes(b"edited")
    kept = json.loads(run(capsys, "pack", take, "--out", out, "--json"))["kept"]
    assert [line.split(" ")[-1] for line in kept] == ["walk.glb.kept"]


def test_pack_says_which_tables_it_does_not_use_without_a_character(capsys, take, tmp_path):
    recipe = tmp_path / "r.toml"
    recipe.write_text(
        '[fit]\nposture = "match"\n[characters.courier.face]\nanimation = "talk"\n', encoding="utf-8"
    )
    text = run(capsys, "pack", take, "--recipe", recipe, "--out", tmp_path / "set")
    assert "[fit] and [characters] of the recipe: not used, since the clips are for no character" in text
    assert "not used" not in run(capsys, "pack", take, "--out", tmp_path / "plain")


def test_pack_says_which_loop_became_a_one_shot(capsys, take, tmp_path):
    recipe = tmp_path / "r.toml"
    ends = '[[clip]]\nname = "{}"\nfrom = "{}f"\nto = "{}f"\nloop = {}\nsearch = false\n'
    clips = ends.format("torn", 240, 290, "true") + ends.format("once", 300, 360, "false")
    recipe.write_text(f'{clips}[loop]\nbad_seam = "one_shot"\n')
    text = run(capsys, "pack", take, "--recipe", recipe, "--out", tmp_path / "set")
    assert re.search(
        r"^torn is a one-shot, no loop: its seam, frames 240 to 290 .* is bad: \d", text, re.MULTILINE
    )
    assert "once is" not in text
    said = json.loads(run(capsys, "pack", take, "--recipe", recipe, "--out", tmp_path / "set", "--json"))[
        "clips"
    ]
    assert [one["no_loop"] is None for one in said] == [False, True]
    assert said[0]["no_loop"].startswith("its seam, frames 240 to 290")
    assert "Choose another" not in said[0]["no_loop"]


@pytest.mark.skipif(os.name != "posix", reason="links, modes and pipes")
def test_what_the_user_names_for_output_stays_what_it_is(capsys, take, tmp_path):
    """A link and its file's mode with -o, a device with --html."""
    real = tmp_path / "real.bvh"
    real.touch(mode=0o600)
    (tmp_path / "link.bvh").symlink_to(real)
    run(capsys, "repair", take, "-o", tmp_path / "link.bvh", "--html", "/dev/null")
    assert (tmp_path / "link.bvh").is_symlink()
    assert real.stat().st_mode & 0o777 == 0o600
    assert len(read_bvh(real)[0]) > 0
    assert Path("/dev/null").is_char_device()


def test_a_recipe_corrects_the_body_map(capsys, take, tmp_path):
    recipe = tmp_path / "r.toml"
    recipe.write_text('[body]\nleftToes = ""\nrightHand = "right_lower_arm"\n')
    (said,) = json.loads(run(capsys, "check", take, "--json", "--recipe", recipe))["takes"]
    assert "leftToes" not in said["body"]
    assert said["body"]["rightHand"] == "right_lower_arm"
    assert "rightLowerArm" not in said["body"]


def test_settings_of_a_recipe_reach_the_stages(capsys, take, tmp_path):
    recipe = tmp_path / "r.toml"
    recipe.write_text("[loop]\ncount = 1\n[contacts]\nspeed_in = 1e-9\nspeed_out = 1e-9\n")
    loops = json.loads(run(capsys, "loops", take, "--json", "--from", "3.5", "--recipe", recipe))["loops"]
    assert len(loops) == 1
    (said,) = json.loads(run(capsys, "check", take, "--json", "--recipe", recipe))["takes"]
    assert said["contacts"] == {"leftFoot": [], "rightFoot": []}


class Terminal:
    """A stream that is a terminal."""

    def __init__(self) -> None:
        self.text = ""

    def isatty(self) -> bool:
        return True

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        pass


def test_progress_is_one_line_that_goes_away():
    terminal = Terminal()
    line = cli.ProgressLine(terminal)
    line("reading a file with a long name", 0.0)
    line("writing", 1.2)
    line.clear()
    shown = terminal.text.split("\r")
    assert shown[1] == "  0 %  reading a file with a long name"
    assert shown[2].rstrip() == "100 %  writing"
    assert len(shown[2]) == len(shown[1])
    assert shown[3].strip() == ""
    assert "\n" not in terminal.text


def test_a_reader_that_stops_reading_is_no_error(take):
    code = f"{sys.executable} -m takemill check {take} {take} {take} | head -1; exit ${{PIPESTATUS[0]}}"
    done = subprocess.run(["bash", "-c", code], check=False, capture_output=True, text=True)
    assert done.returncode in (0, 1)
    assert done.stderr == ""
    assert done.stdout.startswith("walk: ")


def test_the_core_demo_makes_the_set_of_the_recipe(capsys, tmp_path):
    text = run(capsys, "demo", "--core", "--out", tmp_path / "demo")
    data = json.loads((tmp_path / "demo" / "clips.json").read_text())
    kinds = [clip["kind"] for clip in data["clips"]]
    loops = [clip["kind"] for clip in data["clips"] if clip["loop"]]
    assert len(kinds) >= 5
    assert {"idle", "locomotion"} <= set(loops)
    assert "turn" in kinds
    assert kinds.count("strike") >= 2
    assert str(tmp_path / "demo") in text
    assert Path(tmp_path / "demo" / "marsh_ferry.glb").exists()


def test_the_demo_without_blender_says_how_to_get_it(capsys, tmp_path, monkeypatch):
    monkeypatch.setitem(sys.modules, "bpy", None)  # importing it raises ImportError
    text = run(capsys, "demo", "--out", tmp_path / "demo")
    assert 'python -m pip install ".[blender]"' in text
    assert (tmp_path / "demo" / "clips.json").exists()
