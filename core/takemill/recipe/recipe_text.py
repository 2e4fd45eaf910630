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
## A recipe: every setting of Takemill with its default. A line that begins with one # can be uncommented by
## itself; what stays commented keeps its default. Clips, variants and characters are at the end.

# name = "ferry"            # of the set and its file; the first take's name when left out
# rate = 30                 # frames per second of the clips; the take's own when left out
# files = "one"             # all in one GLB; or "each" clip in a whole one; or mesh and clips "separate"
# fbx = "none"              # "one" FBX with all clips, too, or one for "each" clip; Blender writes them
# naming = "{character}_{kind}_{n:02}"  # names clips without a name; also {set} and {take}
# character = "courier"     # the set's name when left out
# neutral = ""              # the clip whose first pose one-shots start and end in, within blend_frames
# blend_frames = 0          # so many frames at each end go over into the neutral pose
# same_names = "refuse"     # of a character's own animation called as a clip; "replace" or "prefix" (own_...)
"""
_EXAMPLES = """\
## Where the body map is wrong: part = "joint"; "" removes a part.
[body]
# leftFoot = "L_Ankle"

## The same for a character of pack --to, by its file's name: courier.glb.
# [characters.courier.body]
# hips = "pelvis_ctl"

## What of [fit] is other for this character.
# [characters.courier.fit]
# plant_feet = false
# floor_m = 0.0

## Which of its chains swing: tails, ears, hair, straps. [springs] does the same for the take's own skeleton.
# [characters.courier.springs]
# find = true               # those of the file's VRMC_springBone, else those that its names show

## One more chain, or what is other of a found one. Numbers are those of VRMC_springBone 1.0.
# [characters.courier.springs.chains.tail]
# preset = "tail"           # tail, ears, hair or strap, in place of numbers
# from = "tail.0"           # its first joint, where it is not found by its name
# to = "tail.4"             # its last joint, where it branches
# stiffness = 1.0           # the pull back to where the clip holds it
# drag = 0.4                # the share of its speed that a sixtieth of a second takes
# gravity = 0.0             # 0.163 is the earth's
# gravity_dir = [0.0, 0.0, -1.0]
# radius = 0.03             # of the ball at each bone's end that colliders push, metres
# colliders = ["bottom"]      # those that push it
# center = "hips"           # its speed counts against this joint instead of the world
# swings = true             # false takes a found chain out

## What chains cannot pass through: a ball, or with tail a capsule, in the joint's own axes, metres.
# [characters.courier.springs.colliders.bottom]
# joint = "hips"
# offset = [0.0, 0.05, -0.1]
# tail = [0.0, 0.05, 0.1]
# radius = 0.12

## A clip. Uncomment the header, from and to first, then any other line. Without any clip, the suggested cuts
## are taken (`takemill cuts TAKE --toml`).
# [[clip]]
# from = 31.0               # seconds, or frames of the take: "1860f"
# to = 42.0                 # the last pose of the clip
# name = "walk"             # may be left out where there is a naming
# take = "monday"           # the file's name without its ending, when there are several
# kind = "locomotion"       # idle, locomotion, turn, strike, dodge, jump, fall, lying, get_up, roll, gesture,
#                           # other; found from the motion when left out
# loop = true               # a loop: the best seam within the range
# search = false            # a loop of exactly the range
# root_motion = "root"      # the path and the turn: "root" joint, "keep" on the body, or "in_place"
# planar = "root"           # one part of the root motion other than that: "root", "keep" or "remove"
# turn = "root"
# height = "keep"
# straight = true           # the path without its bends
# constant_speed = true     # the path at one speed
# turn_deg = 0              # the whole turn made exact, to the side to which the take turns
# rate = 60                 # other than the set's
# smooth_hz = 0.5           # other than [root_motion]'s
# blend_frames = 0          # other than the set's
# events = [{name = "lantern", at = 33.5}]  # events of your own, at times of the take

## A walk from rest to rest as its start, loop, turns and stop, which follow each other without a blend:
## "stroll_start", "stroll_loop", "stroll_stop".
# [[clip]]
# from = 28.0
# to = 44.0
# name = "stroll"
# in_parts = true

## A clip that begins, or ends, in the first pose of a loop: these ends are moved to where the take is most
## like it; search = false takes exactly from and to.
# [[clip]]
# from = 42.0
# to = 44.0
# name = "turn_off"
# follows = "walk"
# leads_to = "walk"

## An idle of a length of its own: parts of the calm in its range, in an order by seed, that breathes on.
# [[clip]]
# from = 0.5
# to = 17.0
# name = "idle_long"
# length_s = 30             # about so long: it holds whole breaths
# seed = 1                  # with length_s: another number, another order

## Several calm stretches joined to one clip, instead of from and to.
# [[clip]]
# stretches = [[0.5, 5.0], ["540f", "900f"]]
# name = "idle"
# take = "monday"
# loop = true

## A clip made from another one. Uncomment the header, of and one more line first.
# [[variant]]
# of = "walk"
# mirror = true             # left and right exchanged
# name = "limp"             # walk_mirrored_x1.2_additive when left out
# speed = 1.2               # so many times as fast
# additive_to = "idle"      # minus that clip's first "pose", or minus the whole "clip"
# against = "pose"          # with additive_to
"""
# Shown for settings without a default.
_OPTIONAL = {"unit_m": 0.01, "shortest_s": 0.5, "longest_s": 10.0, "path_scale": 1.0}


def recipe_text() -> str:
    """The recipe, as TOML."""
    return "\n".join([_HEAD, *(_table(name, kind) for name, kind in TABLES.items()), _EXAMPLES]).rstrip()


def _table(name: str, kind: type) -> str:
    about, _, attributes = (inspect.getdoc(kind) or "").partition("Attributes:")
    summary = " ".join(about.split())
    hints = typing.get_type_hints(kind)
    said = _said(attributes)
    lines = [*textwrap.wrap(f"## {summary}", 110, subsequent_indent="## "), f"[{name}]"]
    shown_texts: set[str] = set()
    for field in fields(kind):
        if is_dataclass(hints[field.name]):  # it has a table of its own
            continue
        text = said.get(field.name, "").replace("None", "left out")  # TOML has no word for it
        value = field.default if field.default_factory is MISSING else field.default_factory()
        shown = f"# {field.name} = {_toml(_OPTIONAL[field.name] if value is None else value)}"
        lines += textwrap.wrap(
            f"{shown.ljust(27)} # {text}" if text and text not in shown_texts else shown,
            110,
            subsequent_indent="#" + " " * 27 + "# ",
        )
        shown_texts.add(text)
    return "\n".join(lines) + "\n"


def _said(attributes: str) -> dict[str, str]:
    """Field -> what its docstring says; fields that are described together share the words."""
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
