"""Everything that a user can correct is a `TakemillError`; callers catch that class and nothing wider.

TakemillError
├── InputError      an array or a setting that a stage cannot work with
│   └── BodyMapError    a skeleton whose parts cannot be determined, or a part that is missing
├── FileError       a file that cannot be read or written
│   ├── BvhError
│   └── GlbError
└── RecipeError     a recipe with an unknown key, a wrong type or a clip outside its take
    └── SeamError       a clip that is to be a loop, and has no seam that is good enough
"""

from __future__ import annotations


class TakemillError(Exception):
    """A problem that the user can correct: the message says what, where and how."""


class InputError(TakemillError):
    """An array, a skeleton or a setting is not what a stage needs."""


class BodyMapError(InputError):
    """A body part that is needed was not found, or was mapped twice."""


class FileError(TakemillError):
    """A file cannot be read or written."""


class BvhError(FileError):
    """A BVH file is malformed; the message holds the path and the line."""


class GlbError(FileError):
    """A GLB file is malformed or does not fit the motion to be added."""


class RecipeError(TakemillError):
    """A recipe holds an unknown key, a wrong value or a clip outside its take."""


class SeamError(RecipeError):
    """A clip is to be a loop, and its range has no seam that is good enough.

    Attributes:
        reason: why, without the clip's name and what to do.
    """

    def __init__(self, text: str, reason: str = "") -> None:
        super().__init__(text)
        self.reason = reason or text
