"""One piece of a build's work: a take repaired and its clips made for all characters; or a set of all takes.

A job is a value that any process can be handed. What it makes goes into the output and the store; what it
gives back is short.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

from ..base.errors import FileError, TakemillError
from ..files import glb
from ..files.take_address import file_of
from ..health.check import check
from ..pipeline import stages
from ..pipeline.finish_clip import FinishedClip
from ..pipeline.plan_clips import Plan, plan_clips
from ..pipeline.prepare_take import PreparedTake, expect_one_skeleton, ignore_progress
from ..pipeline.swing_clips import describe_swing
from ..recipe.recipe import CharacterSpec, Recipe
from ..sets import clip_set, packing
from ..sets.character import Character
from ..sets.character_clips import build_character_set, expect_fit, fit_character
from ..sets.packing_beside import performers_clips, seen_beside
from ..sets.set_folder import replace_folder
from .build_keys import set_key
from .file_digests import digest_of_path
from .shoot_facts import set_facts, take_facts
from .shoot_file import OWN
from .store import Store
from .value_bytes import dump_value, load_value

_SAID = (TakemillError, OSError, MemoryError)
"""What one take can meet without harm to the others."""


@dataclass(frozen=True)
class Folder:
    """Where one character's sets go.

    Attributes:
        name: of the folder: the character's, or OWN.
        path: the character's file; "" for OWN.
        digest: SHA-256 of that file.
        key: under which the store knows what is made.
    """

    name: str
    path: str
    digest: str
    key: str


@dataclass(frozen=True)
class TakeJob:
    """A take to be repaired and made into clips.

    Attributes:
        name: of the take.
        address: where it is.
        digest: SHA-256 of its file when the build was planned.
        recipe: the bytes of its recipe.
        repaired_key: under which the store knows the repaired take.
        folders: where something is to be made.
        out: the output's folder.
        sets: what one set holds.
        rooted: whether other clips of the set need a root joint.
    """

    name: str
    address: str
    digest: str
    recipe: bytes
    repaired_key: str
    folders: tuple[Folder, ...]
    out: str
    sets: str
    rooted: bool

    def run(self) -> JobDone:
        """Do it; what cannot be done is told."""
        return _make_take(self)


@dataclass(frozen=True)
class SetJob:
    """A set of the clips of all takes of a shoot.

    Attributes:
        name: of the set.
        folder: where it goes; its key is the set's.
        takes: names of the takes, keys of the repaired ones, and keys of their clips for this folder.
        recipe: the bytes of the recipe that says how they are packed.
        out: the output's folder.
    """

    name: str
    folder: Folder
    takes: tuple[tuple[str, str, str], ...]
    recipe: bytes
    out: str

    def run(self) -> JobDone:
        """Do it; what cannot be done is told."""
        return _make_shared_set(self)


Job = TakeJob | SetJob


@dataclass(frozen=True)
class JobDone:
    """What came of a job.

    Attributes:
        name: of the take or the set.
        made: folders of sets that were written, relative to the output.
        kept: those that were the same already.
        missing: what could not be made, and why.
    """

    name: str
    made: tuple[str, ...] = ()
    kept: tuple[str, ...] = ()
    missing: tuple[tuple[str, str], ...] = ()

    def lacking(self, what: str, why: str) -> JobDone:
        """The same with one more that could not be made."""
        return replace(self, missing=(*self.missing, (what, why)))


def run_job(job: Job) -> JobDone:
    """Do a job: what an executor is handed."""
    return job.run()


def _make_take(job: TakeJob) -> JobDone:
    store, recipe = Store(job.out), load_value(job.recipe)
    common, own, fitted = _Lacks(job.name), _Lacks(job.name), _Lacks(job.name)
    try:
        take = _prepare(job, store, recipe)
        plan = replace(plan_clips((take,), recipe, (), common), beside_rooted=job.rooted)
    except _SAID as problem:
        return JobDone(job.name, missing=((job.name, why_of(problem)),))
    seams: Plan | None = None
    performed: tuple[FinishedClip, ...] = ()
    done = JobDone(job.name)
    for folder in job.folders:
        said: list[str] = []
        try:
            if folder.name == OWN:
                one, clips = None, stages.make_planned_set((take,), plan, failed=own)
                said += describe_swing(clips)
                own_recipe, lacks = recipe, [*common, *own]
            else:
                if seams is None:
                    seams = stages.settle_seams((take,), plan, fitted)
                    performed = performers_clips((take,), seams)
                one = read_character(folder, recipe)
                begin = expect_fit(one, (take,), recipe, said.append)
                one, own_recipe, clips = fit_character(
                    one, (take,), seams, begin, ignore_progress, said.append
                )
                said += [f"{one.name}: {line}" for line in describe_swing(clips)]
                lacks = [*common, *fitted]
            clips = tuple(map(_without_others, clips))
            if job.sets == "one":
                store.put("clips", folder.key, clips)
            sets: list[tuple[str, str]] = []
            for name, part in _parted(job, recipe, clips):
                work = SetWork(
                    name, folder.name, one, [take], [job.repaired_key], part, own_recipe, performed
                )
                done, key, lines = _write_set(done, job.out, work)
                sets.append((name, key))
                said += lines
            store.put("made", folder.key, {"sets": sets, "lines": said, "not_made": lacks})
        except _SAID as problem:
            done = done.lacking(f"{job.name} on {folder.name}", why_of(problem))
    return done


def _make_shared_set(job: SetJob) -> JobDone:
    store, recipe, done = Store(job.out), load_value(job.recipe), JobDone(job.name)
    try:
        takes, clips = [], list[FinishedClip]()
        for name, repaired_key, clips_key in job.takes:
            take, part = store.get("repaired", repaired_key), store.get("clips", clips_key)
            if take is None or part is None:
                raise FileError(f"what was kept of take {name!r} cannot be read; build again")
            takes.append(take)
            clips += part
        one: Character | None = None
        if job.folder.name == OWN:
            expect_one_skeleton({take.name: take.motion for take in takes})
        else:
            one = read_character(job.folder, recipe)
            if clips[0].body.get("root") is not None:
                one = one.with_root()
            recipe = recipe.of_character(one.name)
        keys = [repaired for _, repaired, _ in job.takes]
        work = SetWork(job.name, job.folder.name, one, takes, keys, clips, recipe)
        done, key, lines = _write_set(done, job.out, work)
        store.put("made", job.folder.key, {"sets": [(job.name, key)], "lines": lines, "not_made": []})
        return done
    except _SAID as problem:
        return done.lacking(f"{job.name} on {job.folder.name}", why_of(problem))


class _Lacks(list[tuple[str, str]]):
    """The clips of a take that could not be made, each with why."""

    def __init__(self, take: str) -> None:
        super().__init__()
        self.take = take

    def __call__(self, name: str, problem: TakemillError) -> None:
        self.append((f"{self.take}: clip {name}", why_of(problem)))


def why_of(problem: BaseException) -> str:
    """A line that says what went wrong."""
    if isinstance(problem, MemoryError):
        return "out of memory; build with fewer --workers, or cut the take"
    return " ".join(str(problem).split()) or type(problem).__name__


def _prepare(job: TakeJob, store: Store, recipe: Recipe) -> PreparedTake:
    """The repaired take, from the store where it is there whole."""
    known = store.get("repaired", job.repaired_key)
    if isinstance(known, PreparedTake) and store.get("health", job.repaired_key) is not None:
        return known
    _expect_unchanged(job)
    intakes: dict[str, str] = {}
    # Clips are looked at later, one by one: one that leaves its take costs no other.
    alone = replace(recipe, clips=(), variants=(), neutral="", blend_frames=0)
    read = packing.read_takes(
        [job.address], alone, ignore_progress, lambda name, intake: intakes.update({name: intake.line()})
    )
    (take,) = packing.prepare_takes([job.address], read, recipe, ignore_progress)
    before = check(take.raw, take.body, recipe.health)
    _expect_unchanged(job)
    store.put("health", job.repaired_key, take_facts(take, before, intakes.get(take.name, "")))
    store.put("repaired", job.repaired_key, take)
    return take


def _expect_unchanged(job: TakeJob) -> None:
    """Insist on the bytes that the build was planned with, before and after they are read.

    Raises:
        FileError: they are others.
    """
    if digest_of_path(file_of(job.address)) != job.digest:
        raise FileError(f"{job.address}: it changed while it was built; build again when it is saved")


@lru_cache(maxsize=8)  # more characters than one take is made for at once are read again
def _character(path: str, digest: str, body: bytes) -> Character:
    if digest_of_path(Path(path)) != digest:
        raise FileError(f"{path}: it changed while it was built; build again when it is saved")
    return Character.read(path, Recipe(characters=load_value(body)))


def read_character(folder: Folder, recipe: Recipe) -> Character:
    """The character of a folder, read once for all takes that a process makes.

    Raises:
        TakemillError: it changed since the build was planned, or cannot be read.
    """
    said = recipe.said_of(folder.name)
    body = {folder.name: CharacterSpec(said.body)} if said else {}
    return _character(folder.path, folder.digest, dump_value(body))


def _without_others(clip: FinishedClip) -> FinishedClip:
    """The clip; its settings know of no other clips, so that it stays the same when these change."""
    settings = clip.settings and replace(clip.settings, clips=(), variants=())
    return replace(clip, settings=settings)


def _parted(
    job: TakeJob, recipe: Recipe, clips: Sequence[FinishedClip]
) -> list[tuple[str, tuple[FinishedClip, ...]]]:
    """The sets of one take's clips, by name; none where all takes share one."""
    if job.sets == "one":
        return []
    if job.sets == "clip":
        return [(clip.name, (clip,)) for clip in clips]
    return [(recipe.name or job.name, tuple(clips))]


@dataclass(frozen=True)
class SetWork:
    """A set to be built.

    Attributes:
        name: of the set.
        folder: the character's, or OWN.
        character: as its clips need it; None for the performer's own skeleton.
        takes, keys: repaired takes, and their keys in the store.
        clips: what it holds.
        recipe: how it is packed.
        performed: the performer's clips, to be seen beside; none where they are not at hand.
    """

    name: str
    folder: str
    character: Character | None
    takes: Sequence[PreparedTake]
    keys: Sequence[str]
    clips: Sequence[FinishedClip]
    recipe: Recipe
    performed: Sequence[FinishedClip] = ()

    def build(self, say: Callable[[str], None]) -> clip_set.ClipSet:
        """Its files, in memory; `say` hears how the clips stand on the character."""
        if self.character is None:
            base = glb.skeleton_glb(self.clips[0].motion.skeleton, self.name)
            return clip_set.build_clip_set(base, self.name, self.takes, self.clips, self.recipe)
        one = (self.character, self.takes, self.clips, self.name, self.recipe)
        beside = seen_beside(self.performed, [(self.character.name, self.character.glb, self.clips)])
        return build_character_set(*one, ignore_progress, say, beside[self.character.name])


def _write_set(done: JobDone, out: str, work: SetWork) -> tuple[JobDone, str, list[str]]:
    """Write a set, unless its folder holds just that already; its key, and what is to be said of it."""
    store, place = Store(out), f"{work.folder}/{work.name}"
    base = work.character.glb if work.character else b""
    key = set_key(work.name, work.folder, base, work.keys, work.clips, work.recipe)
    known = store.get("set", key)
    if known is not None and _holds(Path(out) / place, known["files"]):
        return replace(done, kept=(*done.kept, place)), key, known["lines"]
    lines: list[str] = []
    built = work.build(lines.append)
    replace_folder(Path(out) / place, built.files)
    store.put("set", key, {**set_facts(place, built, work.clips), "lines": lines})
    return replace(done, made=(*done.made, place)), key, lines


def _holds(folder: Path, files: Mapping[str, str]) -> bool:
    try:
        return all(digest_of_path(folder / name) == digest for name, digest in files.items())
    except FileError:
        return False
