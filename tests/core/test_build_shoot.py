"""Builds of shoots: what they give, that they make only what changed, and go on where they broke off."""

from __future__ import annotations

import json
import os
import shutil
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

import small_shoots
from small_shoots import HERE, build, copy, results
from takemill.base.errors import FileError, InputError
from takemill.sets.verify import verify_set
from takemill.shoot import build_jobs, run_jobs
from takemill.shoot.build_shoot import Workers, build_shoot, look_at_shoot
from takemill.shoot.run_jobs import local_processes


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """A shoot of three takes and two characters, built."""
    folder = tmp_path_factory.mktemp("built")
    shoot = small_shoots.write_shoot(folder)
    assert build(shoot).missing == ()
    return folder


@pytest.fixture
def shoot(built, tmp_path) -> Path:
    """A copy of it, with its output."""
    return copy(built, tmp_path / "s")


def test_each_character_has_a_folder_of_sets_and_all_stand_in_the_index(built):
    out = built / "out"
    sets = [f"{who}/{take}" for take in "abc" for who in ("courier", "tall")]
    assert sorted(path.parent.relative_to(out).as_posix() for path in out.rglob("clips.json")) == sorted(sets)
    index = json.loads((out / "index.json").read_text())
    assert [one["folder"] for one in index["sets"]] == sets
    assert [one["name"] for one in index["takes"]] == ["a", "b", "c"]
    assert index["takes"][0]["file"] == "takes/a.bvh"
    assert index["characters"] == ["courier", "tall"]
    assert (index["missing"], index["left_over"]) == ([], [])
    for place in sets:
        problems, clips = verify_set(out / place)
        assert problems == ()
        assert [clip.name for clip in clips] == [f"{place[-1]}_rest"]


def test_a_set_is_what_pack_makes_of_the_take(built, tmp_path):
    """One road: the same files, byte for byte."""
    from takemill.shell import cli

    take, rig = built / "takes/b.bvh", built / "characters/tall.glb"
    recipe = str(built / "takes/b.toml")
    assert (
        cli.main(["pack", str(take), "--recipe", recipe, "--to", str(rig), "--out", str(tmp_path / "p")]) == 0
    )
    packed, made = tmp_path / "p", built / "out/tall/b"
    for name in ("b.glb", "clips.json", "report.html"):
        assert (packed / name).read_bytes() == (made / name).read_bytes(), name


def test_a_second_build_does_nothing(shoot):
    before = {path: path.stat().st_mtime_ns for path in (shoot.parent / "out").rglob("clips.json")}
    assert look_at_shoot(shoot, shoot.parent / "out").reasons == ()
    steps = []
    again = build(shoot, on_step=steps.append)
    assert (again.made, again.kept, steps) == ((), 6, [])
    assert {path: path.stat().st_mtime_ns for path in before} == before


def test_an_index_that_is_gone_or_says_another_name_is_written_again(built, shoot):
    out = shoot.parent / "out"
    os.unlink(out / "index.html")
    (out / "index.json").write_text("{}")
    assert build(shoot).made == ()
    assert results(out) == results(built / "out")
    shoot.write_text('name = "monday"\n' + shoot.read_text())
    assert build(shoot).made == ()
    assert json.loads((out / "index.json").read_text())["name"] == "monday"
    (shoot.parent / "takes").rename(shoot.parent / "moved")
    shoot.write_text(shoot.read_text().replace("takes/", "moved/"))
    assert build(shoot).made == ()
    assert json.loads((out / "index.json").read_text())["takes"][0]["file"] == "moved/a.bvh"


def sets_of(out: Path) -> dict[str, bytes]:
    """The results but for index and page, which tell of the build before."""
    return {name: data for name, data in results(out).items() if "/" in name}


def changed(shoot: Path) -> tuple[list[str], set[str]]:
    """What a dry run says, and what a build then makes."""
    said = [f"{what}: {why}" for what, why in look_at_shoot(shoot, shoot.parent / "out").reasons]
    built = build(shoot)
    assert built.missing == ()
    assert look_at_shoot(shoot, shoot.parent / "out").reasons == ()
    return said, set(built.made)


def test_a_clip_that_changed_makes_its_sets_anew_and_repairs_nothing(shoot, monkeypatch):
    (shoot.parent / "takes/b.toml").write_text(small_shoots.IDLE.format("b_rest", 1.6))
    monkeypatch.setattr(build_jobs.packing, "prepare_takes", None)  # nobody calls it
    said, made = changed(shoot)
    assert said == [f"{who}: b: settings or clips changed" for who in ("courier", "tall")]
    assert made == {"courier/b", "tall/b"}


def test_of_sets_of_one_clip_only_that_of_the_changed_clip_is_made(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path, 'sets = "clip"', count=1)
    recipe = tmp_path / "takes/a.toml"
    recipe.write_text(small_shoots.IDLE.format("one", 1.5) + small_shoots.IDLE.format("two", 1.4))
    assert set(build(shoot).made) == {"courier/one", "courier/two", "tall/one", "tall/two"}
    recipe.write_text(small_shoots.IDLE.format("one", 1.5) + small_shoots.IDLE.format("two", 1.2))
    assert changed(shoot)[1] == {"courier/two", "tall/two"}


def test_a_take_that_changed_is_repaired_for_all_characters_once(shoot, monkeypatch):
    shutil.copy(shoot.parent / "takes/c.bvh", shoot.parent / "takes/a.bvh")
    calls, prepare = [], build_jobs.packing.prepare_takes
    monkeypatch.setattr(build_jobs.packing, "prepare_takes", lambda *a: calls.append(a) or prepare(*a))
    said, made = changed(shoot)
    assert said == [f"{who}: a: the take changed" for who in ("courier", "tall")]
    assert made == {"courier/a", "tall/a"}
    assert len(calls) == 1


def test_a_character_that_changed_is_fitted_anew_alone(shoot):
    data = (shoot.parent / "characters/tall.glb").read_bytes()
    from rigs import changed as with_json

    new = with_json(data, lambda json: json["asset"].update(extras={"a": 1}))
    (shoot.parent / "characters/tall.glb").write_bytes(new)
    said, made = changed(shoot)
    assert said == [f"tall: {take}: the character changed" for take in "abc"]
    assert made == {"tall/a", "tall/b", "tall/c"}


def test_settings_of_one_character_and_of_the_repair_remake_what_they_touch(shoot):
    shoot.write_text(small_shoots.SHOOT + "[settings.characters.tall.fit]\nplant_feet = false\n")
    said, made = changed(shoot)
    assert {line.split(":")[0] for line in said} == {"tall"}
    assert all(place.startswith("tall/") for place in made)
    shoot.write_text(shoot.read_text() + "[overrides.a]\ntakes = ['a']\nsettings.repair.floor = false\n")
    said, _ = changed(shoot)
    assert said == [
        f"{who}: a: settings of its repair changed, settings or clips changed" for who in ("courier", "tall")
    ]


def test_another_version_makes_all_anew(shoot, monkeypatch):
    from takemill.shoot import build_keys

    monkeypatch.setattr(build_keys, "version_digest", lambda: "another")
    said = look_at_shoot(shoot, shoot.parent / "out").reasons
    assert len(said) == 6
    assert {why for _, why in said} == {"Takemill, numpy or Blender is another version"}


@pytest.mark.parametrize("kind", ["made", "set", "repaired", "health"])
def test_a_store_with_flipped_bytes_is_rebuilt_clean(built, shoot, kind):
    for path in (shoot.parent / "out/.takemill/store" / kind).rglob("*"):
        if path.is_file():
            data = bytearray(path.read_bytes())
            data[len(data) // 2] ^= 1
            path.write_bytes(data)
    for name in ("courier", "tall"):  # a repaired take is read when something is made of it
        shutil.rmtree(shoot.parent / "out" / name)
    assert len(build(shoot).made) == 6
    assert results(shoot.parent / "out") == results(built / "out")


def test_results_that_were_changed_or_deleted_are_made_again(built, shoot):
    out = shoot.parent / "out"
    shutil.rmtree(out / "tall/a")
    os.unlink(out / "courier/c/c.glb")
    said, made = changed(shoot)
    assert said == [
        "tall: a: tall/a is not as it was written",
        "courier: c: courier/c is not as it was written",
    ]
    assert made == {"tall/a", "courier/c"}
    assert results(out) == results(built / "out")


def test_a_broken_take_and_one_that_changes_do_not_stop_the_others(built, shoot, monkeypatch):
    good = (shoot.parent / "takes/b.bvh").read_bytes()
    (shoot.parent / "takes/b.bvh").write_bytes(good[: len(good) // 2])
    os.utime(shoot.parent / "takes/b.bvh")
    (shoot.parent / "takes/a.toml").write_text(small_shoots.IDLE.format("a_rest", 1.1))
    found = build(shoot)
    assert found.made == ("courier/a", "tall/a")
    ((what, why),) = found.missing
    assert what == "b"
    assert "b.bvh" in why
    assert "\n" not in why
    index = json.loads((shoot.parent / "out/index.json").read_text())
    assert index["missing"] == [{"what": what, "why": why}]
    assert index["left_over"] == ["courier/b", "tall/b"], "sets of the take as it was are told"
    (shoot.parent / "takes/b.bvh").write_bytes(good)
    (shoot.parent / "takes/a.toml").write_text(small_shoots.IDLE.format("a_rest", 1.5))
    assert build(shoot).missing == ()
    assert sets_of(shoot.parent / "out") == sets_of(built / "out")

    read = build_jobs.packing.read_takes

    def read_while_it_is_saved(paths, *more):
        found = read(paths, *more)
        with open(paths[0], "ab") as file:
            file.write(b"\n")
        return found

    (shoot.parent / "takes/c.bvh").write_bytes((shoot.parent / "takes/c.bvh").read_bytes() + b" \n")
    monkeypatch.setattr(build_jobs.packing, "read_takes", read_while_it_is_saved)
    ((what, why),) = build(shoot).missing
    assert what == "c"
    assert "it changed while it was built" in why
    monkeypatch.undo()
    assert set(build(shoot).made) == {"courier/c", "tall/c"} or build(shoot).missing == ()


def test_a_clip_that_cannot_be_made_is_missing_and_named_again_by_the_next_build(shoot):
    recipe = shoot.parent / "takes/a.toml"
    recipe.write_text(recipe.read_text() + small_shoots.IDLE.format("late", 99))
    for _ in range(2):
        found = build(shoot)
        assert (found.made, found.kept) == ((), 6), "the others are as they were"
        ((what, why),) = found.missing
        assert what == "a: clip late"
        assert "2.0" in why


def test_a_disk_that_is_full_for_one_take_leaves_the_others(shoot, monkeypatch):
    for take in "ab":
        (shoot.parent / f"takes/{take}.toml").write_text(small_shoots.IDLE.format(f"{take}_rest", 1.2))
    write = build_jobs.replace_folder

    def full(place, files):
        if Path(place).name == "a":
            raise FileError(f"cannot write {place}: No space left on device")
        return write(place, files)

    monkeypatch.setattr(build_jobs, "replace_folder", full)
    found = build(shoot)
    assert set(found.made) == {"courier/b", "tall/b"}
    assert [what for what, _ in found.missing] == ["a on courier", "a on tall"]
    monkeypatch.undo()
    assert set(build(shoot).made) == {"courier/a", "tall/a"}


def test_a_fault_of_ours_is_one_takes_loss(shoot, monkeypatch):
    (shoot.parent / "takes/a.toml").write_text(small_shoots.IDLE.format("a_rest", 1.2))
    monkeypatch.setattr(build_jobs, "plan_clips", lambda *_: 1 / 0)
    assert build(shoot).missing == (("a", "ZeroDivisionError: division by zero"),)


def test_one_set_of_all_takes(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path, 'name = "ferry"\nsets = "one"\nown_skeleton = true\n')
    (tmp_path / "takes/b.toml").write_text(small_shoots.IDLE.format("b_rest", 1.5) + 'root_motion = "root"\n')
    found = build(shoot)
    assert set(found.made) == {"own_skeleton/ferry", "courier/ferry", "tall/ferry"}
    assert found.missing == ()
    for who in ("own_skeleton", "courier", "tall"):
        problems, clips = verify_set(tmp_path / "out" / who / "ferry")
        assert problems == ()
        assert [clip.name for clip in clips] == ["a_rest", "b_rest", "c_rest"]
        assert not any(clip.problems for clip in clips)
    assert build(shoot).made == ()
    for path in (tmp_path / "out/.takemill/store/clips").rglob("*"):
        if path.is_file():
            path.write_bytes(b"")
    (tmp_path / "takes/c.toml").write_text(small_shoots.IDLE.format("c_rest", 1.4))
    assert set(build(shoot).made) == {"own_skeleton/ferry", "courier/ferry", "tall/ferry"}
    (tmp_path / "takes/c.bvh").write_bytes(b"HIERARCHY")
    found = build(shoot)
    assert [what for what, _ in found.missing] == ["c", "own_skeleton/ferry", "courier/ferry", "tall/ferry"]
    assert found.made == ()


def test_suggested_clips_are_named_by_their_take(tmp_path):
    shoot = small_shoots.write_shoot(tmp_path, 'sets = "clip"', count=1)
    (tmp_path / "takes/a.toml").unlink()
    small_shoots.small_takes.write(tmp_path / "takes", "a.bvh", small_shoots.short_idle(6.0))
    assert set(build(shoot).made) == {"courier/a_idle_01", "tall/a_idle_01"}


def test_what_no_take_makes_any_more_is_told(shoot):
    for ending in ("bvh", "toml"):
        os.unlink(shoot.parent / f"takes/c.{ending}")
    found = build(shoot)
    assert found.left_over == ("courier/c", "tall/c")
    assert found.index["left_over"] == ["courier/c", "tall/c"]


def test_two_builds_at_once_are_refused(shoot):
    from takemill.base import locks

    with locks.taken_over(shoot.parent / "out/.takemill/lock") as free:
        assert free
        with pytest.raises(InputError, match="another build is at work"):
            build(shoot)
    build(shoot)


def test_a_take_that_fits_no_memory_is_not_begun(shoot):
    for take in "ab":
        (shoot.parent / f"takes/{take}.toml").write_text(small_shoots.IDLE.format(f"{take}_rest", 1.2))
    with (shoot.parent / "takes/a.bvh").open("ab") as file:
        file.write(b"\n" * 10_000_000)
    steps = []
    found = build(shoot, Workers(1, HERE.open_executor, 0.2), steps.append)
    ((what, why),) = found.missing
    assert what == "a"
    assert "and 0.2 GB may be used" in why
    assert [step.event for step in steps if step.job == "a"] == ["missing"]
    assert set(found.made) == {"courier/b", "tall/b"}


class CountingPool(ThreadPoolExecutor):
    """Counts how many jobs were under way at once."""

    most = now = 0

    def submit(self, *args):
        cls = CountingPool
        cls.now += 1
        cls.most = max(cls.most, cls.now)
        future = super().submit(*args)
        future.add_done_callback(lambda _: setattr(cls, "now", cls.now - 1))
        return future


def test_takes_under_way_are_bounded_by_workers_and_by_memory():
    needs, jobs = [60.0, 60.0, 60.0], [FakeJob(name) for name in "abc"]
    for width, budget, most in ((3, 1000.0, 3), (2, 1000.0, 2), (3, 130.0, 2), (3, 70.0, 1), (3, 1.0, 1)):
        CountingPool.most = 0
        done = run_jobs.run_jobs(jobs, needs, lambda: CountingPool(4), width, budget, run_jobs.ignore_step)
        assert [one.name for one in done] == ["a", "b", "c"]
        assert CountingPool.most == most


class FakeJob:
    """A job that says its name."""

    def __init__(self, name: str, dies: str = "") -> None:
        self.name, self.dies = name, dies

    def run(self):
        import time

        time.sleep(0.05)
        if self.dies and (self.dies == "always" or not os.path.exists(self.dies)):
            if self.dies != "always":
                Path(self.dies).write_text("")
            os.kill(os.getpid(), 9)
        return build_jobs.JobDone(self.name)


@pytest.mark.parametrize("dies", ["always", "once"])
def test_a_process_that_dies_costs_no_other_job(tmp_path, dies):
    """Kill -9 of a worker: what was under way is tried again alone, and only what kills is lost."""
    ends = {"a": "", "b": "always" if dies == "always" else str(tmp_path / "once"), "c": "", "d": ""}
    jobs = [FakeJob(name, how) for name, how in ends.items()]
    done = run_jobs.run_jobs(jobs, [0.0] * 4, lambda: local_processes(2), 2, 1.0, run_jobs.ignore_step)
    assert [one.name for one in done] == ["a", "b", "c", "d"]
    missing = [one for job in done for one in job.missing]
    assert [what for what, _ in missing] == (["b"] if dies == "always" else [])
    assert all("died, and again when it was alone: killed, or out of memory" in why for _, why in missing)


def test_any_number_of_workers_gives_the_same_bytes(built, tmp_path):
    for workers in (1, 3):
        out = tmp_path / str(workers)
        found = build_shoot(built / "shoot.toml", out, Workers(workers))
        assert found.missing == ()
        assert results(out) == results(built / "out")
