"""The page of a watched folder in Debian's Chromium, headless: it renews itself, and is read from afar."""

from __future__ import annotations

import re

import pytest

from chromium import browse, browse_address
from pixels import picture
from takemill.watch.loopback import Board, served
from takemill.watch.session import Session, TakeVerdict
from takemill.watch.trends import Trend
from takemill.watch.watch_page import render_watch, style
from takemill.watch.watcher import Shown

pytestmark = pytest.mark.once

AGAIN_RED = (0xA3, 0x27, 0x1F)  # watch_page.css


class Renewed(Board):
    """A board on which the next take stands once the page has been asked for."""

    @property
    def now(self) -> tuple[str, Shown]:
        found = super().now
        if found[1].session.verdicts[-1].name == "first":
            self.show(shown(TakeVerdict("first", "keep", ()), TakeVerdict("second", "shoot again", ("HHH",))))
        return found


def shown(*verdicts: TakeVerdict) -> Shown:
    curve = Trend("right hand", "right arm", "noise", "°", (0.2, 0.3, 0.9), 0.7)
    return Shown("takes", Session(verdicts, (curve,)))


def test_it_renews_itself_and_its_letters_are_read_from_three_metres(tmp_path):
    """Letters of 16 minutes of arc, ISO 9241-303 (value from memory): 14 mm, on a screen of 345 mm."""
    with served(Renewed(shown(TakeVerdict("first", "keep", ()))), 0) as address:
        dom = browse_address(
            address, tmp_path / "profile", "--dump-dom", f"--screenshot={tmp_path / 'a.png'}"
        )
        assert re.search(r"<h1>shoot again</h1>", dom), "it asked for news, and showed them"
        assert re.search(r'<p id="lost"[^>]* hidden', dom), "and somebody answers"
    alone = Shown("takes", Session((TakeVerdict("take", "shoot again", ("HHH",)),)))
    with served(Board(alone), 0) as address:
        browse_address(address, tmp_path / "profile", f"--screenshot={tmp_path / 'b.png'}")
    pixels = picture(tmp_path / "b.png")
    least = 14 / 345 * pixels.shape[1]
    red = (pixels[:, 60:] == AGAIN_RED).all(axis=-1).any(axis=1)
    last = red[:300].nonzero()[0].max()
    assert red[:300].sum() > 2 * least, "the verdict itself"
    ink = (pixels[last + 3 :, 60:] < 128).all(axis=-1).sum(axis=1) > 10
    first = int(ink.argmax())
    height = int((~ink[first:]).argmax())  # of a line of capitals
    assert height >= least


@pytest.mark.parametrize("width", [1200, 390])
def test_it_never_scrolls_sideways(tmp_path, width):
    page = tmp_path / "page" / "watch.html"
    page.parent.mkdir()
    long = TakeVerdict("a_take_with_a_name_that_does_not_end_soon_" * 2, "look", ("left shin froze " * 9,))
    text = render_watch(shown(long), "1").replace('<script src="watch.js" defer></script>', "")
    probe = "document.title = document.documentElement.scrollWidth + ' ' + innerWidth"
    page.write_text(text.replace("</body>", f"<script>{probe}</script></body>"), encoding="utf-8")
    (page.parent / "watch.css").write_text(style(), encoding="utf-8")
    dom = browse(page, "--dump-dom", width=width)
    wide, window = map(int, re.search(r"<title>(\d+) (\d+)</title>", dom).groups())
    assert wide <= window
