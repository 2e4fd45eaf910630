"""A recipe that shows every setting with its default; what they do is read from the docstrings themselves."""

from __future__ import annotations

import inspect
import json
import re
import textwrap
import typing
from dataclasses import MISSING, fields, is_dataclass

from .recipe import TABLES

_HEAD = """\
# A recipe: every setting of Takemill with its default. All is commented out: what you leave so stays.

# name = "ferry"            # of the set and its file; the first take's name when left out
# rate = 30                 # frames per second of the clips; the take's own when left out
# files = "one"             # all in one GLB; or "each" clip in a whole one; or mesh and clips "separate"
# naming = "{character}_{kind}_{n:02}"  # names clips without a name; also {set} and {take}
# character = "courier"     # the set's name when left out
# neutral = "idle"          # the clip whose first pose one-shots start and end in ...
# blend_frames = 6          # ... within so many of their frames; 0 leaves their ends alone

# [[clip]]                  # without any, the suggested cuts are taken (`takemill cuts TAKE --toml`)
# name = "walk"             # may be left out where there is a naming
# take = "monday"           # the file's name without its ending, when there are several
# from = 31.0               # seconds, or frames of the take: "1860f"
# to = 42.0                 # the last pose of the clip
# loop = true               # it repeats: the best loop within the range ...
# search = false            # ... or exactly the range
# root_motion = "root"           # the way and the turn: "root" joint, "keep" on the body, or "in_place"
# planar = "root"           # one part of the root motion other than that: "root", "keep" or "remove"
# turn = "root"
# height = "keep"
# straight = true           # the bends of the path are taken out
# constant_speed = true     # the path is walked at one speed
# turn_deg = 0              # the whole turn made exact, to the side to which the take turns
# rate = 60                 # other than the set's
# smooth_hz = 0.5           # other than [root_motion]'s
# blend_frames = 8          # other than the set's
# events = [{name = "lantern", at = 33.5}]  # events of your own, at times of the take
# kind = "locomotion"            # still, steps, strike, turn, jump, other; told from the motion when left out

# [[clip]]                  # or several calm stretches joined to one, instead of from and to
# name = "idle"
# take = "monday"
# stretches = [[0.5, 5.0], ["540f", "900f"]]
# loop = true

# [[variant]]               # a clip made from another one
# of = "walk"
# name = "limp"             # walk_mirrored_x1.2_additive when left out
# mirror = true             # left and right exchanged
# speed = 1.2               # so many times as fast
# additive_to = "idle"      # only what it does beyond that clip's first "pose", or the whole "clip"
# against = "pose"

# [body]                    # where the body map is wrong: part = "joint"; "" takes a part away
# leftFoot = "L_Ankle"

# [bodies.courier]          # the same for a character of pack --to, by its file's name: courier.glb
# hips = "pelvis_ctl"
"""


def recipe_text() -> str:
    """The recipe, as TOML."""
    return "\n".join([_HEAD, *(_table(name, kind) for name, kind in TABLES.items())]).rstrip()


def _table(name: str, kind: type) -> str:
    about, _, attributes = (inspect.getdoc(kind) or "").partition("Attributes:")
    summary = " ".join(about.split())
    hints = typing.get_type_hints(kind)
    said = _said(attributes)
    lines = [f"# {summary}", f"# [{name}]"]
    told: set[str] = set()
    for field in fields(kind):
        if is_dataclass(hints[field.name]):  # it has a table of its own
            continue
        text = said.get(field.name, "").replace("None", "left out")  # TOML has no word for it
        value = field.default if field.default_factory is MISSING else field.default_factory()
        shown = f"# {field.name} = {_toml(value)}" if value is not None else f"# {field.name}: left out"
        lines += textwrap.wrap(
            f"{shown.ljust(27)} # {text}" if text and text not in told else shown,
            110,
            subsequent_indent="#" + " " * 27 + "# ",
        )
        told.add(text)
    return "\n".join(lines) + "\n"


def _said(attributes: str) -> dict[str, str]:
    """Field -> what its docstring says; fields that are told together share the words."""
    found: dict[str, str] = {}
    for names, text in re.findall(
        r"^(\w+(?:, \w+)*): (.*?)(?=^\w|\Z)", inspect.cleandoc(attributes), re.M | re.S
    ):
        found |= dict.fromkeys(names.split(", "), " ".join(text.split()))
    return found


def _toml(value: object) -> str:
    if isinstance(value, tuple):
        return f"[{', '.join(map(_toml, value))}]"
    return json.dumps(value)
