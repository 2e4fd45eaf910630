"""What a build has to make, and why: all that is not there as its inputs would make it now."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from ..base.errors import BodyMapError, InputError
from ..files.take_address import file_of
from ..recipe.recipe import parts_of, recipe_of_data
from ..sets import clip_set
from ..sets.character import Character, read_characters
from ..sets.packing import unused_without_character
from ..sets.packing_characters import OWN_SPRINGS
from .build_jobs import Folder, SetJob, TakeJob
from .build_keys import Parts, key_of, made_parts, repaired_parts
from .file_digests import FileDigests
from .shoot_file import OWN, ShootFile
from .shoot_names import expect_own_names
from .shoot_takes import ShootTake, find_characters, find_takes
from .store import FOLDER, Store
from .value_bytes import digest_of_value, dump_value

_WORDS = {
    "take": "the take changed",
    "repair": "settings of its repair changed",
    "character": "the character changed",
    "settings": "settings or clips changed",
    "version": "Takemill, numpy or Blender is another version",
}


@dataclass(frozen=True)
class BuildPlan:
    """A build before its work.

    Attributes:
        shoot: the shoot file.
        takes: in their order.
        folders: names of the characters' folders, OWN among them.
        repaired: by take, the key of the repaired take.
        made: by take and folder, the key of what is made of it there.
        shared: the set of all takes in each folder, where there is one: its job, to be done if need be.
        jobs: what has to be done take by take.
        reasons: what, and why.
        notes: settings that are not used, each in a line.
        parts: by take and folder, what results are made from, for the next build's reasons.
    """

    shoot: ShootFile
    takes: tuple[ShootTake, ...]
    folders: tuple[str, ...]
    repaired: Mapping[str, str]
    made: Mapping[tuple[str, str], str]
    shared: tuple[SetJob, ...]
    jobs: tuple[TakeJob, ...]
    shared_jobs: tuple[SetJob, ...]
    reasons: tuple[tuple[str, str], ...]
    notes: tuple[str, ...]
    parts: Mapping[str, Mapping[str, Parts]] = field(default_factory=dict)


def plan_build(shoot: ShootFile, out_dir: Path, digests: FileDigests) -> BuildPlan:
    """What has to be made of a shoot; nothing is written.

    Raises:
        TakemillError: the shoot cannot be built as it is.
    """
    takes = find_takes(shoot, out_dir)
    characters = find_characters(shoot)
    names = [path.stem for path in characters]
    expect_own_names(shoot, takes, names)
    if characters:
        _expect_characters(characters, takes)
    files = {path.stem: (str(path), digests.of(path)) for path in characters}
    folders = [OWN] * shoot.own_skeleton + names
    if shoot.sets == "take":
        for take in takes:
            for name in folders:
                of_set = take.recipe.name or take.name
                clip_set.expect_place(out_dir / name / of_set, of_set, take.recipe.fbx)
    return _Planner(shoot, out_dir, digests, takes, folders, files).plan()


def _expect_characters(paths: Sequence[Path], takes: Sequence[ShootTake]) -> None:
    """Insist on characters that have what takes' recipes and any fit need; each is read once, if it can."""
    known: dict[bytes, list[Character]] = {}
    for take in takes:
        recipe = take.recipe
        said = dump_value((dict(recipe.characters), recipe.fit))
        if said not in known:
            known[said] = read_characters(paths, recipe)
            for one in known[said]:
                one.rest_skeleton(recipe.of_character(one.name).fit)
                _expect_parts(one)
        named = {*(spec.name for spec in recipe.clips), *(spec.name for spec in recipe.variants)}
        for one in known[said]:
            if named & one.animations:
                one.make_room(named, recipe.same_names)


def _expect_parts(one: Character) -> None:
    for part in _NEEDED_PARTS:
        try:
            one.body.require(part)
        except BodyMapError as problem:
            raise BodyMapError(
                f"{one.name}: {problem}; map it in [settings.characters.{one.name}.body]"
            ) from problem


_NEEDED_PARTS = ("hips", "leftUpperLeg", "rightUpperLeg")
"""Without which nothing can be fitted."""


class _Planner:
    """Compares what is there with what would be made."""

    def __init__(
        self,
        shoot: ShootFile,
        out_dir: Path,
        digests: FileDigests,
        takes: Sequence[ShootTake],
        folders: Sequence[str],
        files: Mapping[str, tuple[str, str]],
    ) -> None:
        self.shoot, self.out, self.digests, self.takes = shoot, out_dir, digests, tuple(takes)
        self.folders, self.files, self.store = folders, files, Store(out_dir)
        self.last = read_last(out_dir).get("takes", {})
        self.rooted = shoot.sets == "one" and any(map(_needs_root, takes))

    def plan(self) -> BuildPlan:
        """The plan."""
        repaired: dict[str, str] = {}
        made: dict[tuple[str, str], str] = {}
        parts: dict[str, dict[str, Parts]] = {}
        reasons: list[tuple[str, str]] = []
        jobs: list[TakeJob] = []
        keys: dict[str, dict[str, str]] = {}
        for take in self.takes:
            of_repair = repaired_parts(take, self.digests)
            repaired[take.name] = key_of(of_repair)
            own = {
                name: made_parts(
                    take, repaired[take.name], name, self._digest(name), self.shoot.sets, self.rooted
                )
                for name in self.folders
            }
            finer = {"take": of_repair["take"], "repair": of_repair["settings"]}
            parts[take.name] = {name: {**one, **finer} for name, one in own.items()}
            keys[take.name] = {name: key_of(one) for name, one in own.items()}
            made.update({(take.name, name): key for name, key in keys[take.name].items()})
        shared = self._shared(repaired, made) if self.shoot.sets == "one" else ()
        open_sets = {job.folder.name for job in shared if self._open(job.folder.key)}
        for take in self.takes:
            todo = {}
            for name, key in keys[take.name].items():
                why = self._open(key) or self._gone(name in open_sets, repaired[take.name], key)
                if why:
                    todo[name] = self._reason(take.name, name, parts[take.name][name], why)
            if todo:
                jobs.append(self._job(take, repaired[take.name], keys[take.name], todo))
                reasons += [(f"{name}: {take.name}", why) for name, why in todo.items()]
        remade = {folder.name for job in jobs for folder in job.folders}
        shared_jobs = [job for job in shared if job.folder.name in open_sets | remade]
        reasons += [
            (f"{job.folder.name}: {job.name}", self._open(job.folder.key) or "clips of it are made anew")
            for job in shared_jobs
        ]
        return BuildPlan(
            self.shoot, self.takes, tuple(self.folders), repaired, made, shared, tuple(jobs),
            tuple(shared_jobs), tuple(reasons), tuple(_unused(self.takes, self.folders)), parts,
        )  # fmt: skip

    def _digest(self, folder: str) -> str:
        return "" if folder == OWN else self.files[folder][1]

    def _folder(self, name: str, key: str) -> Folder:
        path = "" if name == OWN else str(Path(self.files[name][0]).absolute())
        return Folder(name, path, self._digest(name), key)

    def _job(
        self, take: ShootTake, repaired: str, keys: Mapping[str, str], todo: Mapping[str, str]
    ) -> TakeJob:
        digest = self.digests.of(file_of(take.address))
        folders = tuple(self._folder(name, keys[name]) for name in todo)
        return TakeJob(
            take.name, str(Path(take.address).absolute()), digest, dump_value(take.recipe), repaired, folders,
            str(self.out), self.shoot.sets, self.rooted,
        )  # fmt: skip

    def _shared(self, repaired: Mapping[str, str], made: Mapping[tuple[str, str], str]) -> tuple[SetJob, ...]:
        """The set of all takes in each folder."""
        recipe = recipe_of_data(self.shoot.settings, f"{self.shoot.path} [settings]")
        for take in self.takes:
            for key in ("reduce", "files", "fbx", "same_names"):
                if getattr(take.recipe, key) != getattr(recipe, key):
                    raise InputError(
                        f'{take.source}: {key} is of a whole set, and sets = "one" has one for all takes: '
                        "say it in [settings]"
                    )
        jobs = []
        for name in self.folders:
            takes = tuple((one.name, repaired[one.name], made[one.name, name]) for one in self.takes)
            key = digest_of_value(
                (self.shoot.name, name, takes, recipe.reduce, recipe.files, recipe.fbx, recipe.same_names)
            )
            jobs.append(
                SetJob(self.shoot.name, self._folder(name, key), takes, dump_value(recipe), str(self.out))
            )
        return tuple(jobs)

    def _open(self, key: str) -> str:
        """Why what is kept under a key has to be made; "" where it is there, and its folders as written."""
        made = self.store.get("made", key)
        if made is None:
            return "it is not made yet"
        for _, set_key in made["sets"]:
            known = self.store.get("set", set_key)
            if known is None:
                return "what was kept of it is gone or damaged"
            if not self.digests.holds(self.out / known["folder"], known["files"]):
                return f"{known['folder']} is not as it was written"
        return ""

    def _gone(self, is_needed: bool, repaired: str, clips: str) -> str:
        """Why a take is made again for a set of all takes, of which it was made before."""
        if is_needed and (
            self.store.get("repaired", repaired) is None or self.store.get("clips", clips) is None
        ):
            return "what was kept of it is gone or damaged"
        return ""

    def _reason(self, take: str, folder: str, parts: Parts, why: str) -> str:
        """Why, in the words of what changed since the last build."""
        last = self.last.get(take, {}).get(folder)
        if why != "it is not made yet":
            return why
        if not last:
            return "it is new"
        changed = [_WORDS[key] for key in _WORDS if last.get(key) != parts[key]]
        return ", ".join(changed) or "the last build did not finish it"


def _unused(takes: Sequence[ShootTake], folders: Sequence[str]) -> Iterator[str]:
    """Settings that none of the results looks at."""
    if [*folders] == [OWN]:
        lines = (unused_without_character(take.recipe) for take in takes)
        if line := next(filter(None, lines), ""):
            yield f"{line}; name some with `characters`"
    elif OWN not in folders and any(take.recipe.springs for take in takes):
        yield f"{OWN_SPRINGS}; or say own_skeleton = true"


def _needs_root(take: ShootTake) -> bool:
    """Whether a take's clips have their root motion on the root joint, as far as it is known before."""
    recipe = take.recipe
    return not recipe.clips or any(parts_of(spec, recipe).mode == "root" for spec in recipe.clips)


def read_last(out_dir: Path) -> dict[str, Any]:
    """What the last build left for the next; empty where there was none."""
    try:
        found = json.loads((out_dir / FOLDER / "last.json").read_bytes())
        return found if isinstance(found, dict) else {}
    except (OSError, ValueError):
        return {}


def set_keys(plan: BuildPlan, store: Store) -> dict[str, str]:
    """By folder of each set that a build's results hold, its key."""
    keys = [*plan.made.values(), *(job.folder.key for job in plan.shared)]
    made = [one for key in keys if (one := store.get("made", key)) is not None]
    sets = [key for one in made for _, key in one["sets"]]
    return {known["folder"]: key for key in sets if (known := store.get("set", key)) is not None}


def used_entries(plan: BuildPlan, store: Store) -> Iterator[tuple[str, str]]:
    """All entries of the store that a build's results stand on."""
    for key in plan.repaired.values():
        yield from (("repaired", key), ("health", key))
    keys = [*plan.made.values(), *(job.folder.key for job in plan.shared)]
    for key in keys:
        yield from (("made", key), ("clips", key))
        made = store.get("made", key)
        yield from (("set", one) for _, one in (made["sets"] if made else ()))
