"""The health page: well-formed, self-contained, and true to the figures that it is drawn from."""

from __future__ import annotations

import re
from html.parser import HTMLParser
from xml.etree import ElementTree as ET

import numpy as np
import pytest

import corrupt
import synthetic
from takemill.body.body_map import BodyMap
from takemill.body.motion import Motion
from takemill.feet.contacts import find_contacts
from takemill.feet.soles import foot_points
from takemill.health.check import check
from takemill.maths import quat
from takemill.maths.series import runs
from takemill.pages.health_page import CAUTION, HealthOf, render_health
from takemill.pages.health_plots import turn_deg, worst_joints
from takemill.repair.repair import repair


def health_of(motion: Motion, name: str = "walk & <turn>") -> HealthOf:
    parts = {part: joint for part, joint in synthetic.parts().items() if joint in motion.skeleton.names}
    body = BodyMap.from_names(motion.skeleton, parts)
    repaired, findings = repair(motion, body)
    return HealthOf(name, motion, body, check(motion, body), repaired, check(repaired, body), findings)


@pytest.fixture(scope="module")
def damaged() -> HealthOf:
    return health_of(corrupt.corrupt(synthetic.walk(steps=8).motion, 3).motion)


@pytest.fixture(scope="module")
def page(damaged: HealthOf) -> str:
    return render_health([damaged], "Health check", "About.")


def test_the_page_is_well_formed_xml_and_html(page: str) -> None:
    tree = ET.fromstring(page.replace("<!DOCTYPE html>", ""))
    assert tree.tag == "html"
    open_tags: list[str] = []

    class Strict(HTMLParser):
        def handle_starttag(self, tag: str, attrs: object) -> None:
            del attrs
            open_tags.append(tag)

        def handle_endtag(self, tag: str) -> None:
            assert open_tags.pop() == tag

    Strict().feed(page)
    assert open_tags == []


def test_the_page_asks_for_nothing(page: str) -> None:
    assert not re.search(r"https?:|//|url\(|@import|<script|<link|<img", page)
    assert "default-src 'none'" in page
    assert CAUTION in page
    assert "walk &amp; &lt;turn&gt;" in page


def test_the_page_holds_the_figures_of_the_health(page: str, damaged: HealthOf) -> None:
    tree = ET.fromstring(page.replace("<!DOCTYPE html>", ""))
    measures, kinds, *_ = (
        {
            row[0].text: ["".join(cell.itertext()) for cell in row[1:]]
            for row in table.iter("tr")
            if row[0].get("scope")
        }
        for table in tree.iter("table")
    )
    for name, word, digits in (("spike_frames", "spikes", 0), ("jitter_deg", "jitter", 2),
                               ("heading_drift_deg_min", "heading drift", 1)):  # fmt: skip
        both = [f"{health.measures[name]:.{digits}f}" for health in (damaged.before, damaged.after)]
        assert measures[word][:2] == both
    spikes = [one for one in damaged.before.findings if one.kind == "spike"]
    assert kinds["spike"][0] == str(len(spikes))
    worst = max(spikes, key=lambda one: one.amount)
    last = worst.stop - 1
    place = f"(frame {last})" if worst.start == last else f"(frames {worst.start} to {last})"
    assert kinds["spike"][4] == f"{worst.amount:.1f} deg {worst.message} {place}"


def test_flagged_frames_are_shaded_where_they_are(page: str, damaged: HealthOf) -> None:
    joint = worst_joints(damaged.raw, damaged.repaired, damaged.body, damaged.before)[0]
    name = damaged.raw.skeleton.names[joint]
    figure = page.split(f"<h4>{name}: ")[1].split("</svg>")[0]
    shown = [
        tuple(map(float, pair))
        for pair in re.findall(r'class="spot [^"]*" x="([\d.]+)".*? width="([\d.]+)"', figure)
    ]
    flagged = [
        one for one in damaged.before.findings if one.joint == name and one.kind in ("spike", "frozen")
    ]
    assert len(shown) == len(flagged) > 0
    frames = len(damaged.raw) - 1
    for (x, width), one in zip(shown, flagged, strict=True):
        assert x == pytest.approx(1000 * (one.start - 0.5) / frames, abs=0.1)
        assert width == pytest.approx(max(1000 * (one.stop - one.start) / frames, 1.5), abs=0.1)


def test_feet_are_drawn_as_they_are_and_planted(page: str, damaged: HealthOf) -> None:
    """Bars where heel and toes are planted; a curve whose ends are the scale's numbers, in mm."""
    contacts = find_contacts(damaged.repaired, damaged.body)
    figure = page.split("<h4>left_foot: height")[1].split("</figure>")[0]
    heel, toes = (part.split("</svg>")[0] for part in figure.split('<span class="name">')[1:])
    for drawn, planted in ((heel, contacts.heel[:, 0]), (toes, contacts.toe[:, 0])):
        starts = [float(x) for x in re.findall(r'class="down" x="([\d.]+)"', drawn)]
        assert starts == pytest.approx(1000 * runs(planted)[0] / len(planted), abs=0.1)
        assert len(starts) > 2
    both = [
        1000 * foot_points(one, damaged.body)[:, 0, :, 2].min(axis=-1)
        for one in (damaged.raw, damaged.repaired)
    ]
    high, low = re.findall(r"<span>(-?\d+)</span>", figure)[:2]
    assert (float(high), float(low)) == pytest.approx((np.max(both), np.min(both)), abs=0.6)


def test_the_way_from_above_is_that_of_the_hips(page: str, damaged: HealthOf) -> None:
    """Its length on the page is the walk's, in metres; raw and repaired begin at a dot each."""
    figure = page.split("Top view: the path of the hips")[1].split("</figure>")[0]
    for style, motion in (("raw", damaged.raw), ("new", damaged.repaired)):
        path = re.search(rf'<path class="thin {style}" d="([^"]+)"', figure)
        assert path
        points = np.array([list(map(float, pair)) for pair in re.findall(r"(-?[\d.]+) (-?[\d.]+)", path[1])])
        hips = motion.model()[1][:, motion.skeleton.index("hips"), :2]
        assert np.linalg.norm(points[-1] - points[0]) == pytest.approx(
            np.linalg.norm(hips[-1] - hips[0]), abs=0.01
        )
    assert figure.count("<circle") == 2


def test_no_peak_is_lost_in_a_long_trace() -> None:
    """A spike of one frame in ten minutes reaches the top of its drawing."""
    long = synthetic.idle(duration_s=60.0).motion
    rotations = long.rotations.copy()
    head = long.skeleton.index("head")
    rotations[:, head] = quat.exp(np.array([0.001, 0, 0]) * np.sin(np.arange(len(long)) / 50)[:, None])
    rotations[3001, head] = quat.mul(rotations[3001, head], quat.exp(np.array([0.4, 0, 0])))
    page = render_health([health_of(long.with_rotations(rotations))], "Health", "")
    raw = re.search(r'<path class="thin raw" d="([^"]+)"', page.split("<h4>head: ")[1])
    assert raw
    heights = [float(y) for _, y in re.findall(r"[ML]([\d.-]+) ([\d.-]+)", raw[1])]
    assert min(min(heights), 100 - max(heights)) == pytest.approx(3, abs=0.2)
    assert max(heights) - min(heights) > 90


def test_a_turn_is_told_in_degrees() -> None:
    angles = np.radians(np.linspace(-40, 60, 201))
    rotations = quat.from_axis_angle(np.array([0.6, 0, 0.8]), angles)
    raw, repaired = turn_deg(rotations, rotations)
    assert np.abs(raw - repaired).max() < 1e-9
    assert np.ptp(raw) == pytest.approx(100, abs=1e-6)


@pytest.mark.parametrize("frames", [1, 2, 30])
def test_short_still_and_footless_takes_have_pages_too(frames: int) -> None:
    motion = corrupt.corrupt(synthetic.walk(steps=2).motion, 1).motion.slice(0, frames)
    page = render_health([health_of(motion)], "Health", "")
    ET.fromstring(page.replace("<!DOCTYPE html>", ""))
    assert ("1 frame at" if frames == 1 else f"{frames} frames at") in page
    idle = synthetic.idle(duration_s=2.0).motion
    still = idle.with_rotations(np.tile(idle.skeleton.rest_rotation, (len(idle), 1, 1)))
    page = render_health([health_of(still)], "Health", "")
    assert "<span>-0</span>" not in page
    assert "nan" not in re.sub(r"<style>.*?</style>", "", page, flags=re.DOTALL)
    ET.fromstring(page.replace("<!DOCTYPE html>", ""))
