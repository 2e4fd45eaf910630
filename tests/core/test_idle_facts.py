"""What a list says of an idle of parts, and what verify says of it."""

from __future__ import annotations

from typing import Any

import pytest

from idle_takes import known_idle
from takemill.feet.contacts import find_contacts
from takemill.health.check import Health
from takemill.pipeline.finish_clip import FinishedClip
from takemill.pipeline.prepare_take import PreparedTake, digest_of
from takemill.pipeline.stages import make_set
from takemill.recipe.recipe import parse_recipe
from takemill.sets.idle_facts import describe_idle, idle_problems
from takemill.sets.report_clip import _describe_idle

TEXT = (
    'rate = 30\n[[clip]]\nname = "idle"\nfrom = 0\nto = 12\nlength_s = 20\n'
    '[[clip]]\nname = "plain"\nfrom = 0\nto = 12\nkind = "idle"\nloop = true\n'
    '[[variant]]\nof = "idle"\nspeed = 2.0\n[[variant]]\nof = "idle"\nadditive_to = "plain"\n'
)


@pytest.fixture(scope="module")
def clips() -> dict[str, FinishedClip]:
    known = known_idle(1)
    contacts = find_contacts(known.motion, known.body)
    take = PreparedTake(
        "calm", digest_of(known.motion), known.motion, known.body, known.motion, (), Health((), {}), contacts
    )
    return {clip.name: clip for clip in make_set(take, parse_recipe(TEXT))}


def test_an_idle_of_parts_is_told_at_any_speed(clips: dict[str, FinishedClip]) -> None:
    said, fast = describe_idle(clips["idle"]), describe_idle(clips["idle_x2"])
    assert said is not None
    assert fast is not None
    assert said["parts"] == len(clips["idle"].stretches) >= 2
    assert said["breath_s"] == pytest.approx(4.0, abs=0.3)
    assert 2.0 <= said["repeats_after_s"] <= 20.0
    assert 0 < max(said["join_acceleration"], said["join_jerk"]) <= 1.1
    assert fast["repeats_after_s"] == pytest.approx(said["repeats_after_s"] / 2, abs=0.02)
    played = sum(stop - start for start, stop in clips["idle"].stretches) / 60.0
    assert said["pace"] == pytest.approx(played / 20.0, abs=1e-3)
    assert fast["pace"] == pytest.approx(2 * said["pace"], abs=2e-3)
    assert fast["breath_s"] == pytest.approx(said["breath_s"] / 2, abs=0.02)
    assert describe_idle(clips["plain"]) is None
    assert describe_idle(clips["idle_additive"]) is None


@pytest.mark.parametrize(
    ("key", "value", "problem"),
    [
        ("repeats_after_s", 30.0, "repeats after 30 s, later than it ends"),
        ("parts", 9, "it has 9 parts, and 2 stretches"),
        ("join_jerk", 1.8, "a join of its parts stands out: acceleration changes there 1.8 times"),
        ("join_acceleration", 1.6, "choose another seed or range"),
    ],
)
def test_what_cannot_be_is_told(key: str, value: float, problem: str) -> None:
    idle = {
        "parts": 2, "repeats_after_s": 6.0, "breath_s": 4.0, "pace": 1.1,
        "join_acceleration": 0.8, "join_jerk": 0.9,
    }  # fmt: skip
    clip: dict[str, Any] = {
        "loop": True, "additive": False, "duration_s": 20.0, "idle": idle,
        "source": {"stretches": [[0, 200], [100, 300]]},
    }  # fmt: skip
    assert list(idle_problems(clip)) == []
    (found,) = idle_problems(clip | {"idle": idle | {key: value}})
    assert problem in found
    (found,) = idle_problems(clip | {"loop": False})
    assert "is a loop of poses" in found
    assert list(idle_problems(clip | {"idle": None})) == []


def test_the_report_says_it_in_words() -> None:
    idle = {
        "parts": 7, "repeats_after_s": 6.4, "breath_s": None, "pace": 0.87,
        "join_acceleration": 0.8, "join_jerk": 1.7,
    }  # fmt: skip
    text = _describe_idle(idle)
    assert "7 parts, 0.87 times as fast as in the take; a moment of the take plays again after 6.4 s" in text
    assert "at the soonest; no breath is seen" in text
    assert 'class="bad"' in text
    plain = _describe_idle(idle | {"join_jerk": 1.0, "breath_s": 4.0, "pace": 1.001})
    assert 'class="good"' in plain
    assert "7 parts, at the pace of the take; a moment" in plain
