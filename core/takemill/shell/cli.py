"""The `takemill` command: its verbs, their options and help; what they do stands in `commands`."""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
from collections.abc import Sequence
from typing import TextIO

from .. import __version__
from ..base.errors import TakemillError
from ..base.plain import printable
from ..files.take_address import file_of
from ..health.profile import KINDS
from ..maths.axes import UP_AXES
from ..recipe.recipe import FBX
from ..repair.settings import PATHS
from . import cli_shoot

_MEMORY_PER_TEXT_BYTE = 25  # of a take's text, in memory at the peak; measured on the sample: 21

_ABOUT = """\
Raw motion-capture takes (BVH or GLB) become clean, named, seamless game clips.

The order of the work:
  takemill check take.bvh                       what the suit did wrong, and where
  takemill repair take.bvh -o repaired.bvh      the same take, repaired
  takemill cuts take.bvh --toml > set.toml      suggested clips, as a recipe to edit
  takemill recipe                               all settings, with what they do
  takemill loops take.bvh --from 31 --to 42     where a stretch repeats itself
  takemill idle take.bvh --length 30            an idle of any length, from the take's calm
  takemill pack take.bvh --recipe set.toml --out clips
  takemill verify clips                         the set read back and judged
  takemill build shoot.toml --out build         a folder of takes at a time; only what changed
  takemill watch takes                          on the set: each take judged as it is saved
  takemill demo                                 all of it, on a sample

`takemill VERB --help` says more. A take is never changed. Each verb begins with a line that says how a
take was read: unit, axes, height, reference pose."""

_CHECK = """\
Find spikes, frozen sensors, jitter, skating feet and a floor that is off.

  takemill check take.bvh
  takemill check monday/*.bvh --json > health.json
  takemill check take.bvh --html health.html

--html writes a page to look at: what is wrong, what would be repaired, the worst joints as curves, the feet
over the floor and the path from the top; it opens without network.
--json prints every finding with its joint and frames [start, stop), and when each foot is planted.
Joint ranges and findings are about data; they are no medical assessment of the performer."""

_REPAIR = """\
Repair a take: spikes and frozen sensors are bridged, jitter is taken out, the floor is put at 0.
The new file has the joints, frames and rate of the old one.

  takemill repair take.bvh -o repaired.bvh
  takemill repair take.bvh -o repaired.bvh --recipe set.toml --json
  takemill repair take.bvh -o repaired.bvh --calibrate --trim --html repair.html

Performers often stand in a T or an A at the start or end of a take. --calibrate corrects how askew the
sensors sat, as that pose shows it, in the whole take; --trim leaves the pose out of the new file, with all
that lies before or behind it."""

_CUTS = """\
Suggest clips: idles, walks, turns, strikes, dodges, jumps, falls, gestures; how sure each is, and why.

  takemill cuts take.bvh
  takemill cuts take.bvh --shots "jab,hook,duck,walk"   # names, in the order in which they were performed
  takemill cuts take.bvh --toml > set.toml      # then edit names and times, and pack with it"""

_RECIPE = """\
Print a recipe with every setting, its default and what it does; each is commented out, so that it
changes nothing until it is edited.

  takemill recipe > set.toml"""

_LOOPS = """\
Find where the motion repeats itself: pairs of frames that can be the start and the end of a loop,
the best first. The gap is the distance of the joints at the seam, before it is closed.

  takemill loops take.bvh --from 31 --to 42
  takemill loops take.bvh --from 1860f --to 2520f --count 3 --json

To use one, write its times into a recipe with loop = true and search = false."""

_IDLE = """\
Put an idle of any length together from the calm of a take: parts in an order of their own, which breathe
on over every join, with the feet at one place. Small movements beside it are listed as fidgets.

  takemill idle take.bvh --length 30
  takemill idle take.bvh --length 60 --seed 2 --from 0 --to 17
  takemill idle take.bvh --length 30 --toml >> set.toml

An idle in which a breath is seen holds whole breaths: it plays evenly faster or slower than the take, so
that these last as long as was asked, and says by how much. --toml prints the clips for a recipe: length_s
and seed of the idle, and the fidgets, which begin and end in its first pose."""

_PACK = """\
Cut, loop and finish clips and write them as a set: NAME.glb (one skeleton, all clips), clips.json
(all that a program wants to know) and report.html (all that a person wants to see).

  takemill pack take.bvh --out clips
  takemill pack walk.bvh fight.bvh --recipe set.toml --out build/ferry
  takemill pack walk.bvh --recipe set.toml --to ferrywoman.glb --to courier.glb --out build

--to fits the clips to a character, a GLB with rig and mesh, and adds them to it; several characters get a
folder each. A character without a root joint is given one when clips need it for their root motion.
Its body map is found; [characters.courier.body] of the recipe corrects it: part = "joint";
[characters.courier.fit] holds what of [fit] is other for it.

--fbx one writes NAME.fbx beside it, the same clips on the same rig and mesh; --fbx each, one for each clip.
Blender writes them, so its module is needed: pip install ".[blender]" in a checkout.

A recipe is a TOML file; without [[clip]] tables the suggested cuts are taken:

  name = "ferry"
  rate = 30
  [[clip]]
  name = "walk"
  take = "walk"           # the file's name, when there are several
  from = 31.0             # seconds, or frames of the take: "1860f"
  to = 42.0
  loop = true             # the best loop inside; with search = false, exactly these ends
  root_motion = "root"    # on the root joint; or "keep" on the body, or "in_place"

The folder is replaced whole or not at all. Files in it that Takemill did not write stay; those that were
changed after they were packed are kept beside the new ones as NAME.kept."""

_VERIFY = """\
Read a set back and judge it: files as they were written, list and animations agree, loops closed,
the root joint where the list says. With the takes and the recipe it was made of, every clip is made
again and compared with what the file plays, four times a frame, and with what the list says.

  takemill verify clips
  takemill verify build/ferry walk.bvh fight.bvh --recipe set.toml
  takemill verify build walk.bvh --recipe set.toml --to ferrywoman.glb --to courier.glb

A folder of characters' folders is verified set by set.
The exit code is 0 when all is ok, 1 when something is not."""

_DEMO = """\
The whole job on a sample: a two-minute suit take from the marsh ferry becomes a set of clips.
With Blender at hand (in a checkout: python -m pip install ".[blender]") the add-on's operators do it on
three characters; without it, the core does it on the take's own skeleton.

  takemill demo
  takemill demo --out ferry"""


def build_parser() -> argparse.ArgumentParser:
    """The command line of all verbs."""
    parser = argparse.ArgumentParser(
        "takemill", description=_ABOUT, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--version", action="version", version=f"takemill {__version__}")
    verbs = parser.add_subparsers(dest="verb", metavar="VERB", required=True)

    def verb(name: str, about: str) -> argparse.ArgumentParser:
        summary = re.split(r"[.:;]\s", about, maxsplit=1)[0].replace("\n", " ")
        return verbs.add_parser(
            name, help=summary, description=about, formatter_class=argparse.RawDescriptionHelpFormatter
        )

    check = verb("check", _CHECK)
    _takes(check, "+")
    _as_json(check)
    _as_page(check)
    repair = verb("repair", _REPAIR)
    _takes(repair)
    repair.add_argument(
        "-o", "--out", required=True, metavar="OUT.bvh", help="Write the repaired take to this file."
    )
    repair.add_argument(
        "--trim", action="store_true", help="Leave a T or A pose at either end out of the new file."
    )
    repair.add_argument(
        "--calibrate", action="store_true", help="Correct sensor misalignment, as such a pose shows it."
    )
    repair.add_argument(
        "--same-pose",
        nargs=4,
        type=float,
        metavar=("FROM", "TO", "FROM", "TO"),
        help="Two stretches, in seconds, in which the performer holds one and the same pose: correct what "
        "slipped or turned between them.",
    )
    _as_json(repair)
    _as_page(repair)
    cuts = verb("cuts", _CUTS)
    _takes(cuts)
    cuts.add_argument(
        "--shots",
        metavar="NAMES",
        help="Names wanted, in the take's order, between commas: [cuts] shot_list.",
    )
    cuts.add_argument(
        "--parts", action="store_true", help="Each strike of a combination by itself: [cuts] combinations."
    )
    cuts.add_argument(
        "--whole-gaits",
        action="store_true",
        help="Gaits from rest to rest as one cut, not as start, loop, turns and stop: [cuts] gaits.",
    )
    shape = cuts.add_mutually_exclusive_group()
    _as_json(shape)
    shape.add_argument("--toml", action="store_true", help="Print a recipe.")
    verb("recipe", _RECIPE)
    loops = verb("loops", _LOOPS)
    _takes(loops)
    loops.add_argument(
        "--from", dest="start", metavar="TIME", help='Begin here: seconds, or frames as "540f".'
    )
    loops.add_argument(
        "--to", dest="stop", metavar="TIME", help="End here, with the last pose of the stretch."
    )
    loops.add_argument("--count", type=int, metavar="N", help="Print so many at most.")
    _as_json(loops)
    idle = verb("idle", _IDLE)
    _takes(idle)
    idle.add_argument(
        "--length", type=float, default=30.0, metavar="S", help="About so many seconds (%(default)g)."
    )
    idle.add_argument(
        "--seed", type=int, default=0, metavar="N", help="Another number, another order of its parts."
    )
    idle.add_argument(
        "--from",
        dest="start",
        metavar="TIME",
        help='Look for calm from here on: seconds, or frames as "540f".',
    )
    idle.add_argument("--to", dest="stop", metavar="TIME", help="And up to here.")
    shape = idle.add_mutually_exclusive_group()
    _as_json(shape)
    shape.add_argument("--toml", action="store_true", help="Print clips for a recipe.")
    pack = verb("pack", _PACK)
    _takes(pack, "+")
    pack.add_argument("--out", required=True, metavar="DIR", help="Write the set into this folder.")
    _characters(pack)
    pack.add_argument(
        "--fbx", choices=FBX, help='Write FBX files, too: "one" with all clips, or one for "each" clip.'
    )
    _as_json(pack)
    verify = verb("verify", _VERIFY)
    verify.add_argument("folder", metavar="DIR", help="The folder of the set.")
    _takes(verify, "*")
    _characters(verify)
    _as_json(verify)
    cli_shoot.add_build(verb("build", cli_shoot.BUILD))
    cli_shoot.add_watch(verb("watch", cli_shoot.WATCH))
    demo = verb("demo", _DEMO)
    demo.add_argument(
        "--out", default="takemill_demo", metavar="DIR", help="Write the set into this folder (%(default)s)."
    )
    demo.add_argument("--core", action="store_true", help="Leave Blender out, even where there is one.")
    return parser


def _takes(parser: argparse.ArgumentParser, count: str | None = None) -> None:
    if count:
        parser.add_argument(
            "takes",
            nargs=count,
            metavar="TAKE",
            help="The takes: BVH or animated GLB files; of one with several all, or one as takes.glb:NAME.",
        )
    else:
        parser.add_argument(
            "take",
            metavar="TAKE",
            help="The take: a BVH or animated GLB file; of one with several, one as takes.glb:NAME.",
        )
    parser.add_argument(
        "--recipe", metavar="R.toml", help="Take the settings of this recipe; else the defaults."
    )
    parser.add_argument(
        "--unit-m", type=float, metavar="M", help="Metres per unit of the file; else guessed."
    )
    parser.add_argument(
        "--up", choices=UP_AXES, help='The axis of the file that points up, as in "--up=-Y"; else found.'
    )
    parser.add_argument(
        "--reference",
        metavar="POSE",
        help='An upright pose: seconds of the take, a frame as "90f", another take, or "rest"; else found.',
    )
    parser.add_argument(
        "--profile", choices=KINDS, help="What recorded the take, which decides what is repaired; else found."
    )
    parser.add_argument(
        "--path-from",
        choices=PATHS,
        help="Where the path comes from: the take as it came (also where it walks in place), the feet that "
        "carry the body, or (auto) the feet where they walk while the hips stay in place.",
    )


def _characters(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--to",
        action="append",
        default=[],
        metavar="RIG.glb",
        help="Fit the clips to this character; may be given several times.",
    )


def _as_json(parser: argparse._ActionsContainer) -> None:
    parser.add_argument("--json", action="store_true", help="Print JSON, for programs.")


def _as_page(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--html", metavar="PAGE.html", help="Write a page with plots.")


class ProgressLine:
    """One line on a terminal that says what is being done; nothing where nobody looks."""

    def __init__(self, stream: TextIO | None) -> None:
        self._stream = stream if stream and stream.isatty() else None
        self._width = 0

    def __call__(self, text: str, part: float) -> None:
        """Show `text`, and how much is done, 0 to 1."""
        line = printable(f"{round(100 * min(max(part, 0), 1)):3d} %  {text}")[:78]
        self._write("\r" + line.ljust(self._width))
        self._width = len(line)

    def clear(self) -> None:
        """Take the line away."""
        if self._width:
            self._write("\r" + " " * self._width + "\r")
            self._width = 0

    def _write(self, text: str) -> None:
        if self._stream:
            try:
                self._stream.write(text)
                self._stream.flush()
            except OSError:  # the terminal is gone; the work goes on
                self._stream = None


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command; 0: done, 1: a verified set is not ok, 2: something needs repair, 130: Ctrl-C.

    A reader of the output that stops reading changes nothing of that.
    """
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):  # a console that lacks a letter gets a question mark
            stream.reconfigure(errors="replace")
    options, progress = argparse.Namespace(), ProgressLine(sys.stderr)
    try:
        from . import commands  # inside the net: numpy takes a moment, in which Ctrl-C can come

        options = build_parser().parse_args(arguments)
        text, code = getattr(commands, options.verb)(options, progress), 0
        if isinstance(text, tuple):
            text, code = text
        progress.clear()
        _print(text)
    except KeyboardInterrupt:
        progress.clear()
        return 130
    except (TakemillError, MemoryError, RecursionError, OSError) as problem:
        progress.clear()
        _complain(_in_a_line(problem, options))
        return 2
    return code


def _in_a_line(problem: BaseException, options: argparse.Namespace) -> str:
    """What went wrong, and what to do."""
    if isinstance(problem, MemoryError):
        takes = [getattr(options, "take", None), *getattr(options, "takes", ())]
        files = [file_of(path) for path in takes if path]
        sizes = [os.path.getsize(path) for path in files if path.exists()]
        takes_gb = _MEMORY_PER_TEXT_BYTE * sum(sizes) / 1e9
        needed = f"; these takes need about {takes_gb:.1f} GB: cut them" if sizes else ""
        return f"out of memory{f': {problem}' if str(problem) else ''}{needed}; or close other programs"
    if isinstance(problem, RecursionError):
        return "something in a file is nested too deeply to be read; export it again"
    if isinstance(problem, OSError):
        name = f"{problem.filename}: " if problem.filename else ""
        return f"the system refuses: {name}{problem.strerror or problem}"
    return str(problem)


def _complain(text: str) -> None:
    with contextlib.suppress(OSError):
        print(f"takemill: {printable(' '.join(text.split()))}", file=sys.stderr)


def _print(text: str) -> None:
    """Print it; a reader who has seen enough (`takemill check take.bvh | head`) is no error."""
    try:
        print(printable(text), flush=True)
    except OSError as problem:
        with contextlib.suppress(OSError):  # what is left is not written once more at the end
            os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        if not isinstance(problem, BrokenPipeError):
            raise OSError(problem.errno, f"cannot write the output: {problem.strerror}") from problem
