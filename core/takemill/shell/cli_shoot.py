"""The options and the help of the verbs for whole shoots: build and watch."""

from __future__ import annotations

import argparse

PORT = 8650  # of the page: no service is registered for it (IANA, value from memory)

BUILD = """\
Build a whole shoot: folders of takes, one or more characters, a set of clips for each take. A build makes
only what is not there as it would be made now.

  takemill build shoot.toml --out build --dry-run
  takemill build shoot.toml --out build
  takemill build shoot.toml --out build --workers 4 --json
  takemill build shoot.toml --out build --watch         # and again whenever something is saved
  takemill build shoot.toml --out /shared/build --scheduler tcp://farm:8786

shoot.toml says which takes, for whom, and how:

  takes = ["monday/*.bvh", "tuesday/**/*.bvh"]
  exclude = ["*_test.bvh"]
  characters = ["characters/*.glb"]   # none: the performer's own skeleton
  sets = "take"                       # a set for each take; "one" for all takes; or one for each "clip"
  [settings]                          # a recipe without clips, for all takes
  rate = 30
  [overrides.fast]                    # over it, for some
  takes = ["jab_*"]
  settings.rate = 60

A recipe beside a take (jab_03.toml beside jab_03.bvh) counts most, and names its clips; a take without
gets suggested clips. build/index.html shows the shoot, build/index.json is for programs.

What one take meets does not stop the others: the summary says what is missing and why, the exit code is 1,
and the next build makes just that. Ctrl-C ends at once and keeps what is whole."""

WATCH = """\
Judge each take on the set as it is saved in a folder: keep, look, or shoot again, with the reason in a
sentence, within seconds, while the performer still wears the suit.

  takemill watch takes
  takemill watch takes --shoot shoot.toml
  takemill watch takes --json

Look: a repair corrects it, but somebody should know, as of a strap that slips. Shoot again: no repair does.
The same is on a page that renews itself, for browsers on this machine alone; its address is printed. Sensors
that grow worse from take to take stand there as curves.

With a shoot file, takes are read and checked as it says, and its shot list says what is still lacking:

  [shots]              # name = the kind of action, or "" for any
  jab = "strike"
  walk = "locomotion"

A take is of a shot when it is called so, with a number or a remark behind (jab_03), or when the recipe beside
it calls a clip so. Ctrl-C ends it; nothing is written."""


def add_build(build: argparse.ArgumentParser) -> None:
    """The options of `build`."""
    build.add_argument("shoot", metavar="SHOOT.toml", help="The shoot file.")
    build.add_argument("--out", required=True, metavar="DIR", help="Write all results into this folder.")
    build.add_argument(
        "--dry-run", action="store_true", help="Say what would be made, and why; write nothing."
    )
    build.add_argument(
        "--workers", type=int, metavar="N", help="So many takes at a time; else one for each processor."
    )
    build.add_argument(
        "--scheduler",
        metavar="ADDRESS",
        help="Hand the work to the Dask cluster at this address, whose workers see the same files.",
    )
    build.add_argument(
        "--memory", type=float, metavar="GB", help="What all takes under way may use; else what is free."
    )
    build.add_argument(
        "--watch",
        action="store_true",
        help="Go on: make what changed whenever something is saved; Ctrl-C ends.",
    )
    _poll(build)
    build.add_argument("--json", action="store_true", help="Print JSON, a line for each step.")


def add_watch(watch: argparse.ArgumentParser) -> None:
    """The options of `watch`."""
    watch.add_argument("folder", metavar="FOLDER", help="Where takes are saved; folders in it do not count.")
    watch.add_argument(
        "--shoot",
        metavar="SHOOT.toml",
        help="Read and check takes as this shoot file says, by its shot list.",
    )
    watch.add_argument(
        "--port", type=int, default=PORT, metavar="N", help="Of the page (%(default)s); 0: any that is free."
    )
    _poll(watch)
    watch.add_argument("--json", action="store_true", help="Print JSON, a line for each verdict.")


def _poll(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--poll",
        action="store_true",
        help="Look for changes again and again, where a network drive does not report them.",
    )
