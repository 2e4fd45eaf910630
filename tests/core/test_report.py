"""The report as a file: well-formed, self-contained, true to the clips."""

from __future__ import annotations

import base64
import json
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pytest

import small_takes
from takemill.clip.measure import Seam, set_gaps
from takemill.clip.root_motion import with_root_motion
from takemill.keys.reduce import dense_tracks
from takemill.maths import quat
from takemill.pages import svg
from takemill.pipeline import stages
from takemill.pipeline.prepare_take import body_of, prepare_take
from takemill.recipe.recipe import Recipe, parse_recipe
from takemill.sets import report_clip, report_figures, report_pairs
from takemill.sets.clip_facts import describe_clip, describe_set
from takemill.sets.report import render_report
from takemill.sets.report_seam import Passage, seam_close_up

VOID = {"meta", "input", "path", "rect", "circle", "wbr"}
RECIPE = "".join(
    f'[[clip]]\nname = "{name}"\nfrom = {start}\nto = {stop}\nloop = {loop}\nroot_motion = "{root_motion}"\n'
    for name, start, stop, loop, root_motion in (
        ("walk & talk", 3.5, 8, "true", "root"),
        ("it's off", 1.5, 4, "false", "keep"),
        ("pace", 3.5, 8, "true", "in_place"),
    )
)


@pytest.fixture(scope="module")
def take():
    motion = small_takes.stand_and_walk()
    names = ("<b>hips", *motion.skeleton.names[1:])  # a BVH file may say so
    body = body_of(motion.skeleton, Recipe())
    motion = replace(motion, skeleton=replace(motion.skeleton, names=names))
    return prepare_take("day & night", motion, body, Recipe())


@pytest.fixture(scope="module")
def clips(take):
    return stages.make_set(take, parse_recipe(RECIPE))


@pytest.fixture(scope="module")
def page(take, clips):
    return render(take, clips)


def render(take, clips) -> str:
    facts = describe_set("the <set>", [take], clips, Recipe())
    facts["clips"] = [
        describe_clip(one, "x.glb", dense_tracks(one.motion), 0.0, {take.name: take}) for one in clips
    ]
    return render_report(facts, [take], clips)


class Tree(HTMLParser):
    """Checks that tags close in order, and gathers what a test wants to know."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.open: list[str] = []
        self.tags: list[tuple[str, dict]] = []
        self.text: list[str] = []
        self.feed(text)
        self.close()

    def handle_starttag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.tags.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.text.append(data)


def test_the_page_is_well_formed_and_holds_all_it_needs(page):
    tree = Tree(page)
    assert tree.open == []
    for tag, attributes in tree.tags:
        for name in ("src", "href", "action", "srcset", "data"):
            assert (attributes.get(name) or "#").startswith("#"), (tag, attributes)
    assert "http:" not in page
    assert "https:" not in page
    assert "@import" not in page
    assert "url(" not in page
    policy = next(a["content"] for t, a in tree.tags if t == "meta" and a.get("http-equiv"))
    assert policy.startswith("default-src 'none'")
    ids = [attributes["id"] for _, attributes in tree.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    assert all(a["href"][1:] in ids for t, a in tree.tags if t == "a")


def test_a_loops_way_is_told_of_each_cycle_and_a_one_shots_of_the_whole(page, clips):
    terms = [text for text in Tree(page).text if text in ("each cycle", "in all")]
    assert terms == ["each cycle" if clip.loop else "in all" for clip in clips]
    assert set(terms) == {"each cycle", "in all"}


def test_names_are_text_and_never_markup(page):
    text = " ".join(Tree(page).text)
    for name in ("walk & talk", "it's off", "day & night", "<b>hips", "the <set>"):
        assert name in text
    assert "<b>" not in page.replace("&lt;b&gt;", "")


def test_it_can_be_used_by_keyboard_and_read_aloud(page):
    tree = Tree(page)
    for tag, attributes in tree.tags:
        if tag in ("canvas", "input", "select") or attributes.get("role") == "region":
            assert attributes.get("aria-label"), (tag, attributes)
        if tag == "canvas" or attributes.get("role") == "region":
            assert attributes.get("tabindex") == "0"
        if tag == "svg":
            assert attributes.get("aria-hidden") == "true"  # what it shows is said in words beside it
    assert ("html", {"lang": "en"}) in tree.tags


def test_it_says_what_an_animator_asks(page, take):
    text = re.sub(r"\s+", " ", " ".join(Tree(page).text))
    for word in (
        "seam as captured",
        "closed to 0.000 mm",
        "on the root joint",
        "in place; the path it had is below",
        "stays on the body",
    ):
        assert word in text
    assert "leftFoot" in text
    assert "m ahead" in text
    assert f"jitter {take.health.measures['jitter_deg']:.2f}" in text
    assert "Which clip can follow which" in text


def test_the_same_clips_give_the_same_page(page, take, clips):
    assert render(take, clips) == page


def shown(page: str) -> dict:
    return json.loads(re.search(r'id="figures">(.*?)</script>', page, re.DOTALL).group(1))


def test_figures_are_where_the_clips_are(page, clips):
    """Points put back onto the root track are the joints of the clip in the world, to a few millimetres."""
    data = shown(page)
    for k, clip in enumerate(clips):
        figure = data["clips"][str(k)]
        frames = report_figures.shown_frames(clip)
        assert figure["frames"] == len(frames)
        assert frames[-1] == len(clip.motion) - 1
        points = np.frombuffer(base64.b64decode(figure["points"]), "<i2").reshape(len(frames), -1, 3) / 1000
        track = np.array(figure["track"]) / 1000
        flat = np.concatenate([track[:, :2], 0 * track[:, :1]], axis=1)
        world = flat[:, None] + quat.rotate(quat.from_yaw(track[:, 2])[:, None], points)
        motion = (
            clip.motion
            if clip.root_motion_mode != "in_place"
            else with_root_motion(clip.motion, clip.root_motion)
        )
        right = motion.model()[1][frames]
        assert (
            np.abs(world[:, : right.shape[1]] - right).max() < 0.0025
        )  # a milliradian a metre away, and rounding
        planted = np.zeros((2, len(frames)), bool)
        for side in range(2):
            for start, stop in figure["planted"][side]:
                planted[side, start:stop] = True
        assert (clip.contacts.planted[frames] == planted.T).all()


def test_bones_do_not_hang_from_the_root(page, clips):
    data = shown(page)
    names = clips[0].motion.skeleton.names
    root = names.index("root")
    assert root not in data["parents"]
    assert data["parents"][names.index("left_hand")] == names.index("left_lower_arm")
    assert data["sides"][names.index("left_toes")] == "left"
    assert data["sides"][names.index("spine")] == "ink"
    assert [names[k] for k in data["feet"][1]] == ["right_foot", "right_toes"]


def test_thirty_frames_a_second_are_shown():
    class Clip:
        motion = small_takes.stand_and_walk()

    frames = report_figures.shown_frames(Clip)
    assert np.diff(frames).max() <= 2 + 1
    assert len(frames) == np.ceil((len(Clip.motion) - 1) / 2) + 1


def numbers(text: str) -> list[float]:
    return [float(one) for one in re.findall(r"-?\d+\.?\d*", text)]


def test_a_way_ahead_leads_up_the_page():
    """The core's ahead at heading 0 is -Y, its left +X: on the page up and left."""
    track = np.linspace([0, 0], [0.2, -1.0], 50)
    drawing = svg.draw_top_view(track, [("sl", np.array([[0.1, 0], [0.1, -0.2]]))], np.array([0.0, -1.0]))
    way = numbers(re.search(r'class="way" d="M([^"]*)"', drawing).group(1))
    assert way[:2] == [0, 0]
    assert way[-2:] == [-0.2, -1.0]
    box = numbers(re.search(r'viewBox="([^"]*)"', drawing).group(1))
    assert box[0] < -0.2
    assert box[1] < -1.0
    assert box[0] + box[2] > 0
    assert float(svg.grid_step(drawing)) == 0.25


def test_bars_and_curves_keep_their_places():
    assert 'x="250" y="12" height="76" width="500"' in svg.draw_bars([("fl", 0.25, 0.75)])
    assert 'width="2"' in svg.draw_bars([("fl", 0.5, 0.5)])
    line = numbers(
        re.search(r'd="M([^"]*)"/></svg>', svg.draw_curves([("sl", np.array([0.0, 10.0, 5.0]))], 10.0)).group(
            1
        )
    )
    assert line == [0, 100, 500, 6, 1000, 53]
    long = svg.draw_curves([("sl", np.sin(np.arange(9000.0)))], 1.0)
    assert long.count("L") == 399


def test_a_loop_is_seen_passing_its_seam(clips):
    """The passage is what two cycles on end do, wherever the root motion is; speeds by plain differences."""
    for clip in clips:
        if not clip.loop:
            assert seam_close_up(clip) == ""
            continue
        passage = Passage.of(clip, 0.2)
        count = len(clip.motion.skeleton)
        joints = clip.restore_points(clip.motion.model()[1])
        last, reach = len(clip.motion) - 1, passage.at
        assert reach == round(0.2 * clip.motion.rate)
        np.testing.assert_allclose(
            passage.points[reach:, :count], at_start(clip, joints[: reach + 1]), atol=1e-9
        )
        steps = np.linalg.norm(np.diff(joints, axis=0), axis=-1) * 100 * clip.motion.rate
        np.testing.assert_allclose(passage.speeds[:reach], steps[last - reach :], atol=1e-9)
        # Over the seam no joint leaps: the first step of the next cycle is as long as the clip's first.
        np.testing.assert_allclose(passage.speeds[reach:], steps[:reach], atol=1e-3)
        text = seam_close_up(clip)
        assert text.count('class="thin sb"') == 2 * len(report_figures.limbs(clip)) + 5
        assert text.count('class="thin sa"') == text.count('class="thin sb"')


def at_start(clip, points):
    return quat.rotate(
        quat.from_yaw(-clip.root_motion.heading[0]), points - clip.root_motion.position[0] * [1.0, 1.0, 0.0]
    )


def test_the_matrix_says_pose_and_speed_and_the_worst_joints(page, clips):
    gaps = set_gaps({clip.name: clip.world_motion for clip in clips}, clips[0].body)
    cells = [attributes for tag, attributes in Tree(page).tags if tag == "td" and "title" in attributes]
    assert len(cells) == 9
    for cell, (row, column) in zip(cells, np.ndindex(3, 3), strict=True):
        said = cell["title"]
        assert said.startswith(
            f"{gaps.names[row]} to {gaps.names[column]}: {round(float(gaps.cm[row, column]), 2):.1f} cm, "
        )
        assert f"{round(float(gaps.cm_s[row, column]), 2):.0f} cm/s" in said
        if gaps.cm[row, column] >= 0.05:
            assert said.endswith(", ".join(gaps.worst[row][column]))
    assert [cell["tabindex"] for cell in cells] == ["0"] + ["-1"] * 8


def test_it_says_what_became_of_clips(take):
    """Parts of the root motion, variants and blended ends; additive clips are not among the pairs."""
    recipe = parse_recipe(
        'neutral = "stand"\nblend_frames = 6\n'
        '[[clip]]\nname = "stand"\nfrom = 0\nto = 1.8\nloop = true\n'
        '[[clip]]\nname = "set off"\nfrom = 1.5\nto = 4\nturn = "remove"\n'
        '[[variant]]\nof = "set off"\nname = "over it"\nmirror = true\nspeed = 2\nadditive_to = "stand"\n'
    )
    text = re.sub(r"\s+", " ", " ".join(Tree(render(take, stages.make_set(take, recipe))).text))
    assert "path on the root joint, turn removed, height on the body" in text
    assert "each goes over into the neutral pose in 6 frames" in text
    assert "set off, mirrored, 2 times as fast, minus the pose of stand" in text
    matrix = text[text.index("Which clip can follow which") : text.index("How it was made")]
    assert "set off" in matrix
    assert "over it" not in matrix


def test_the_list_of_clips_tells_size_and_error(take, clips):
    """As clips.json does."""
    facts = [
        describe_clip(one, "x.glb", dense_tracks(one.motion), 0.000123, {take.name: take}) for one in clips
    ]
    said = describe_set("set", [take], clips, Recipe()) | {"clips": facts}
    rows = re.findall(
        r"<tr><th scope=\"row\"><a href=\"#clip-\d\">(.*?)</tr>", render_report(said, [take], clips)
    )
    assert len(rows) == len(clips)
    for row, one in zip(rows, facts, strict=True):
        assert re.findall(r"<td[^>]*>([^<]*)</td>", row)[-2:] == [
            f"{one['keys']['bytes'] / 1024:.0f}",
            "0.12",
        ]


def test_a_large_set_names_the_nearest_clips_instead_of_all_pairs(take, clips):
    """Thirty clips: the same one and others in turn; each names five others, nearest first."""
    many = [replace(clips[k % 3], name=f"clip & {k}") for k in range(30)]
    said = describe_set("set", [take], many, Recipe())
    said["clips"] = [
        describe_clip(one, "x.glb", dense_tracks(one.motion), 0.0, {take.name: take}) for one in many
    ]
    page = render_report(said, [take], many)
    assert 'role="grid"' not in page
    rows = re.findall(r'<tr><th scope="row">(clip &amp; \d+)</th><td><span class="wrap">(.*?)</span>', page)
    assert len(rows) == 30
    for k, (name, told) in enumerate(rows):
        assert name == f"clip &amp; {k}"
        found = re.findall(r"clip &amp; (\d+) \((\d+\.\d) cm, \d+ cm/s\)", told)
        assert len(found) == 5
        assert str(k) not in [number for number, _ in found]
        row = sorted(gap for j, gap in enumerate(said["gaps"]["cm"][k]) if j != k)
        assert [float(gap) for _, gap in found] == pytest.approx(row[:5], abs=0.051)


def test_colours_of_the_matrix_go_from_clear_to_less_than_half() -> None:
    """The number in the cell stays readable on it: at most 45 %."""
    parts = [report_pairs._colour_percent(cm) for cm in (0.0, 2.9, 6.0, 9.0, 12.0, 15.0, 400.0)]
    assert parts[:2] == [0, 0]
    assert parts == sorted(parts)
    assert 0 < parts[2] < parts[3] < parts[4] < 45
    assert parts[5:] == [45, 45]


def test_the_seam_is_told_in_millimetres_and_centimetres_a_second() -> None:
    """Steps of frames at 30 a second: 2 mm are 6 cm/s."""
    text = report_clip._seam_now(Seam(1e-5, 0.002, 0.0015, 0.0, 0.0), 30.0)
    assert text.startswith("closed to 0.010 mm; ")
    assert '<span class="good">speed changes by 6.0 cm/s</span>' in text
    assert text.endswith("by up to 4.5 elsewhere")
    assert 'class="bad"' in report_clip._seam_now(Seam(1e-5, 0.0031, 0.0015, 0.0, 0.0), 30.0)
