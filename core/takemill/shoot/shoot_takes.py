"""The takes of a shoot: the files that globs match, each with its recipe and where that comes from."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from fnmatch import fnmatchcase
from pathlib import Path, PurePath

from ..base.errors import FileError, InputError, RecipeError
from ..base.systems import same_name
from ..files.take_address import name_of
from ..files.take_motion import takes_in
from ..recipe.recipe import Recipe, parse_toml, read_text, recipe_of_data, recipe_values
from ..recipe.recipe_face import FaceSpec
from ..recipe.recipe_names import expect_name
from .shoot_file import NAMING, Layer, ShootFile, merge_layers


@dataclass(frozen=True)
class ShootTake:
    """One take of a shoot.

    Attributes:
        name: of the take, unique in the shoot.
        address: its file, or one of the takes in a file, as in `takes.glb:walk`.
        recipe: its settings, and its clips where it has a recipe of its own.
        source: where these stand, for a person.
    """

    name: str
    address: str
    recipe: Recipe
    source: str


def find_takes(shoot: ShootFile, out_dir: Path) -> tuple[ShootTake, ...]:
    """All takes of a shoot in the order of its globs, then by name; what lies in `out_dir` is none.

    Raises:
        InputError: a glob or a pattern matches nothing, or two takes have one name.
        RecipeError: a recipe beside a take is none.
        FileError: a file cannot be read.
    """
    files = _match(shoot, "takes", shoot.takes)
    out = {path for glob in shoot.exclude for path in _found(shoot.path.parent, glob)}
    for glob in shoot.exclude:
        out |= {path for path in files if fnmatchcase(path.name, glob)}
    results = out_dir.resolve()
    files = [path for path in files if path not in out and not path.resolve().is_relative_to(results)]
    if not files:
        raise InputError(f"{shoot.path}: exclude leaves no take")
    addresses = [address for path in files for address in _takes_of(path)]
    names = [expect_name(name_of(address), f"take {address}") for address in addresses]
    _expect_own_names(names, addresses)
    _expect_used(shoot, names)
    return tuple(
        _with_recipe(shoot, name, address, len(names)) for name, address in zip(names, addresses, strict=True)
    )


def recipe_beside(shoot: ShootFile, address: str) -> Recipe:
    """The recipe of a take that a shoot has, or will have once it is saved among its takes.

    Raises:
        RecipeError: the one beside it is none.
        FileError: that cannot be read.
    """
    return _with_recipe(shoot, name_of(address), address, 1).recipe


def _takes_of(path: Path) -> list[str]:
    """The takes in a file; of one that cannot be read, the file: the others are made without it."""
    try:
        return list(map(str, takes_in([path])))
    except FileError:
        return [str(path)]


def find_characters(shoot: ShootFile) -> list[Path]:
    """The files of a shoot's characters.

    Raises:
        InputError: a glob matches nothing.
    """
    return _match(shoot, "characters", shoot.characters)


def folders_of(shoot: ShootFile) -> list[Path]:
    """The folders in or below which all that a shoot is made of lies, the shoot file's first."""
    base = shoot.path.parent.absolute()
    found = [base]
    for glob in (*shoot.takes, *shoot.characters):
        parts = (base / glob).parts
        plain = next(
            (k for k, part in enumerate(parts) if any(mark in part for mark in "*?[")), len(parts) - 1
        )
        folder = Path(*parts[:plain]).resolve()
        if folder.is_dir() and not any(folder.is_relative_to(one.resolve()) for one in found):
            found.append(folder)
    return found


def _match(shoot: ShootFile, key: str, globs: Iterable[str]) -> list[Path]:
    """The files of all globs, each once, those of a glob by name."""
    found: dict[Path, None] = {}
    for glob in globs:
        paths = _found(shoot.path.parent, glob)
        if not paths:
            raise InputError(
                f"{shoot.path}: {key}: {glob!r} matches no file in {shoot.path.parent.absolute()}; "
                "correct it or take it out"
            )
        found |= dict.fromkeys(paths)
    return list(found)


def _found(folder: Path, glob: str) -> list[Path]:
    if PurePath(glob).is_absolute():
        anchor = Path(PurePath(glob).anchor)
        folder, glob = anchor, str(PurePath(glob).relative_to(anchor))
    try:
        paths = sorted(path for path in folder.glob(glob) if path.is_file())
    except (ValueError, NotImplementedError, IndexError) as problem:
        raise InputError(f"{glob!r} is no glob: {problem}; write one as takes/*.bvh") from problem
    return [path for path in paths if not any(_is_hidden(part) for part in path.relative_to(folder).parts)]


def _is_hidden(part: str) -> bool:
    return part.startswith(".") and part != ".."


def _expect_own_names(names: Sequence[str], addresses: Sequence[str]) -> None:
    (key, count), *_ = Counter(map(same_name, names)).most_common(1)
    if count > 1:
        both = [address for name, address in zip(names, addresses, strict=True) if same_name(name) == key]
        raise InputError(
            f"two takes are called {name_of(both[0])!r}: {both[0]} and {both[1]}; rename one, or leave it "
            "out with exclude"
        )


def _expect_used(shoot: ShootFile, names: Sequence[str]) -> None:
    """Insist on patterns that name a take; an override that others are like may have none."""
    liked = {one.like for one in shoot.overrides.values()}
    for one in shoot.overrides.values():
        if not one.takes and one.name not in liked:
            raise InputError(f'{shoot.path}: [overrides.{one.name}] names no takes; write takes = ["jab_*"]')
        for pattern in one.takes:
            if not any(fnmatchcase(name, pattern) for name in names):
                raise InputError(
                    f"{shoot.path}: [overrides.{one.name}] takes: {pattern!r} matches no take; takes are "
                    f"called as their files, without ending: {names[0]!r}"
                )


def _with_recipe(shoot: ShootFile, name: str, address: str, count: int) -> ShootTake:
    over = [
        one.name for one in shoot.overrides.values() if any(fnmatchcase(name, each) for each in one.takes)
    ]
    layers: list[Layer] = [("", {"naming": NAMING})] if shoot.sets != "take" else []
    layers += [(f"{shoot.path} [settings]", shoot.settings), *shoot.layers_of(over)]
    beside = _beside(address, name, shoot.path)
    if beside:
        layers.append(beside)
    used = [source for source, data in layers if source and data]
    source = f"{name} ({', '.join(used)})" if used else name
    recipe = recipe_of_data(merge_layers(layers), source)
    if shoot.sets != "take" and recipe.name:
        raise RecipeError(f"{source}: name: sets = {shoot.sets!r} names the sets; leave it out")
    return ShootTake(name, address, _with_faces_of(recipe, name, count, source), source)


def _beside(address: str, name: str, shoot: Path) -> Layer | None:
    """The recipe beside a take, if there is one."""
    for path in dict.fromkeys((Path(address).with_suffix(".toml"), Path(address).parent / f"{name}.toml")):
        if path.is_file() and not path.samefile(shoot):
            data = parse_toml(read_text(path), str(path))
            recipe_values(data, str(path))
            return str(path), data
    return None


def _with_faces_of(recipe: Recipe, take: str, count: int, source: str) -> Recipe:
    """The recipe with the faces that belong to this take."""
    characters = {}
    for name, one in recipe.characters.items():
        face = one.face
        if face and not face.take and count > 1:
            raise RecipeError(
                f'{source}: [characters.{name}.face]: say which take it belongs to: take = "{take}"'
            )
        is_other = bool(face.take) and face.take != take
        characters[name] = replace(one, face=FaceSpec()) if is_other else one
    return replace(recipe, characters=characters)
