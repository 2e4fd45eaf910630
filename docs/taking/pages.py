"""Pictures of pages: made from the samples, shown by Chromium."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from . import work
from .places import BLEND, PICTURES, RECIPE, TAKE


@dataclass(frozen=True)
class Page:
    """A picture of a page, its size in pixels; `made` writes the page into a folder and says where."""

    made: Callable[[Path], Path]
    width: int
    height: int

    def take(self, name: str, scratch: Path) -> None:
        """Make the page and take its picture."""
        from chromium import browse

        shot = f"--screenshot={PICTURES / name}.png"
        browse(self.made(scratch), shot, width=self.width, height=self.height)


@dataclass(frozen=True)
class Watched:
    """The picture of the page of a watched folder, which the loopback address serves."""

    width: int
    height: int

    def take(self, name: str, scratch: Path) -> None:
        """Serve the page and take its picture."""
        from chromium import browse_address
        from takemill.watch.loopback import served

        with served(_board(), 0) as address:
            shot = f"--screenshot={PICTURES / name}.png"
            browse_address(address, scratch / "profile", shot, width=self.width, height=self.height)


def _health(scratch: Path) -> Path:
    from takemill.shell import cli

    page = scratch / "health" / "page.html"
    page.parent.mkdir()
    cli.main(["check", str(TAKE), "--html", str(page)])
    return page


def _report(scratch: Path) -> Path:
    from takemill.shell import cli

    cli.main(["pack", str(TAKE), "--recipe", str(RECIPE), "--out", str(scratch / "set")])
    return scratch / "set" / "report.html"


def _side_by_side(scratch: Path) -> Path:
    """The card of a clip in a report for the samples' three characters, its moments unfolded."""
    import bpy

    from takemill.shell import cli
    from takemill_addon.bridge.rigs.export_rig import export_rig

    work.register_once()
    bpy.ops.wm.open_mainfile(filepath=str(BLEND))
    more = []
    for one in ("Courier", "Ferrywoman", "Lamplighter"):
        rig = scratch / f"{one.lower()}.glb"
        rig.write_bytes(export_rig(bpy.context, bpy.data.objects[one]))
        more += ["--to", str(rig)]
    recipe = scratch / "set.toml"
    recipe.write_text('[[clip]]\nname = "walk"\nfrom = 31.0\nto = 42.0\nloop = true\nroot_motion = "root"\n')
    cli.main(["pack", str(TAKE), "--recipe", str(recipe), *more, "--out", str(scratch / "sets")])
    text = (scratch / "sets" / "courier" / "report.html").read_text(encoding="utf-8")
    hidden = "body > *, main > *, .clip > .halves { display: none }"
    alone = f"<style>{hidden} main, main > .clip {{ display: block }} "
    text = text.replace("</head>", f"{alone}</style></head>").replace(
        "<details><summary>The", "<details open><summary>The"
    )
    page = scratch / "page" / "page.html"
    page.parent.mkdir()
    page.write_text(text, encoding="utf-8")
    return page


def _board():
    """A watched folder: parts of the sample take, whose right forearm's sensor grows worse."""
    import numpy as np

    from takemill.files.bvh import read_bvh
    from takemill.maths import quat
    from takemill.recipe.recipe import Recipe
    from takemill.sets.take_files import body_in
    from takemill.watch.loopback import Board
    from takemill.watch.session import judge_session
    from takemill.watch.take_verdict import judge_take_alone
    from takemill.watch.watcher import Shown

    whole, _ = read_bvh(TAKE)
    body, rng = body_in(whole, Recipe()), np.random.default_rng(19)
    arm, hand, shin = map(body.require, ("rightLowerArm", "rightHand", "leftLowerLeg"))
    names = [f"{word}_{n:02}" for n in (1, 2) for word in ("wade", "pole", "shove", "look_out", "turn")]
    takes = []
    for k, name in enumerate(names):
        part = whole.slice(600 * k, 600 * (k + 1))
        turns = part.rotations.copy()
        noise = rng.normal(0.0, np.radians(0.15 * k), (len(part), 3))
        turns[:, arm] = quat.mul(turns[:, arm], quat.exp(noise))
        turns[:, hand] = quat.mul(quat.exp(-noise), turns[:, hand])  # its own sensor is as it was
        for start in {6: (200,), 9: (100, 220, 400)}.get(k, ()):
            turns[start : start + 9, shin] = turns[start, shin]
        takes.append(judge_take_alone(name, part.with_rotations(turns), body, Recipe(), True))
    shots = {
        "wade": "locomotion",
        "pole": "",
        "shove": "",
        "cast_off": "strike",
        "look_out": "idle",
        "moor": "",
    }
    return Board(Shown("tuesday", judge_session(takes, shots), ("moor_01.bvh",)))


PAGES: dict[str, Page | Watched] = {
    "health-page": Page(_health, 1200, 1600),
    "report": Page(_report, 1100, 1160),
    "report-side-by-side": Page(_side_by_side, 1100, 1125),
    "watch-page": Watched(1200, 1250),
}
