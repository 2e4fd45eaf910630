"""What the add-on says: labels in Title Case, tooltips as sentences, none of the words that were given up."""

from __future__ import annotations

import ast
import re
from pathlib import Path
from types import SimpleNamespace

import bpy
import pytest

from panel_notes import Notes, sidebar
from takemill_addon import operators, overlays, panels, properties, translations
from words import given_up

SMALL = {"a", "an", "and", "as", "at", "by", "for", "from", "in", "is", "of", "on", "or", "the", "to", "with"}
UNITS = {"mm", "cm", "deg", "hz", "degrees", "seconds", "metres", "hertz"}


pytestmark = pytest.mark.usefixtures("addon")
SHOWN_BY_BLENDER = {"rna_type", "name", "filepath", "filter_glob", "check_existing"}


def own_properties() -> list[tuple[str, bpy.types.Property]]:
    """Each property of ours, of property groups and of operators."""
    kinds = [(kind.__name__, kind.bl_rna) for kind in properties.CLASSES]
    for kind in operators.CLASSES:
        call = getattr(bpy.ops.takemill, kind.bl_idname.removeprefix("takemill."))
        kinds.append((kind.__name__, call.get_rna_type()))
    return [
        (f"{name}.{one.identifier}", one)
        for name, rna in kinds
        for one in rna.properties
        if one.identifier not in SHOWN_BY_BLENDER
    ]


def shown() -> list[tuple[str, bpy.types.Property]]:
    """Those that a panel or a dialog can show: the others bear their identifier as a name, or none."""
    return [(where, one) for where, one in own_properties() if one.name and one.name != one.identifier]


def labels() -> list[tuple[str, str]]:
    kinds = [kind for kind in (*operators.CLASSES, *panels.CLASSES) if hasattr(kind, "bl_label")]
    found = [(kind.__name__, kind.bl_label) for kind in kinds if kind.bl_label]
    for where, one in shown():
        found.append((where, one.name))
        # Two lists bear words of their own: parts, called as in VRM 1.0, and units of length.
        if one.type == "ENUM" and not where.endswith(("add_part.part", "import_take.unit")):
            found += [(f"{where}.{item.identifier}", item.name) for item in one.enum_items]
    return found


def tooltips() -> list[tuple[str, str]]:
    found = [(kind.__name__, kind.__doc__) for kind in operators.CLASSES]
    for where, one in shown():
        found.append((where, one.description))
        if one.type == "ENUM" and not where.endswith(("add_part.part", ".kind")):
            found += [(f"{where}.{item.identifier}", item.description) for item in one.enum_items]
    return found


def test_labels_are_in_title_case_and_leave_units_to_the_fields() -> None:
    """As the Human Interface Guidelines of Blender have it."""
    assert len(labels()) > 90
    for where, text in labels():
        words = re.findall(r"[^\s(),]+", text)
        for place, word in enumerate(words):
            assert word[0].isupper() or word[0].isdigit() or (place and word in SMALL), f"{where}: {text!r}"
            assert word.lower() not in UNITS, f"{where}: {text!r} names a unit"
        assert words[0][0].isupper() or words[0][0].isdigit(), f"{where}: {text!r}"


def test_tooltips_are_sentences() -> None:
    """Blender sets the full stop itself."""
    assert len(tooltips()) > 80
    for where, text in tooltips():
        assert re.match(r"[A-Z0-9]", text), f"{where}: {text!r} does not begin as a sentence"
        assert not text.endswith("."), f"{where}: Blender would set a second full stop behind {text!r}"
        assert len(text.split()) >= 4, f"{where}: {text!r} is no sentence"


@pytest.mark.parametrize("what", ["labels", "tooltips"])
def test_no_label_or_tooltip_has_a_word_that_was_given_up(what: str) -> None:
    wrong = [(where, text, bad) for where, text in globals()[what]() if (bad := given_up(text))]
    assert not wrong


def test_the_fields_of_lengths_and_angles_bear_their_unit() -> None:
    by_name = dict(own_properties())
    assert by_name["TAKEMILL_PG_scene.fit_arm_clearance"].unit == "ROTATION"
    assert by_name["TAKEMILL_PG_scene.max_error_mm"].unit == "CAMERA"  # which Blender shows in mm
    assert by_name["TAKEMILL_OT_thin_keys.max_error_mm"].unit == "CAMERA"


def test_what_the_guide_prints_bold_is_a_label() -> None:
    """In its part on Blender: the words on buttons and fields, and texts that a panel sets beside them."""
    guide = (Path(__file__).parents[2] / "docs/guide.md").read_text(encoding="utf-8")
    part = guide.partition("\n## In Blender\n")[2].partition("\n## ")[0]
    bold = {" ".join(text.split()) for text in re.findall(r"\*\*([^*]+)\*\*", part)}
    known = {text for _, text in labels()} | {
        panel.bl_label.partition(" ")[2] for panel in panels.CLASSES if hasattr(panel, "bl_label")
    }
    source = "".join(path.read_text(encoding="utf-8") for path in Path(panels.__file__).parent.glob("*.py"))
    assert len(bold) > 60
    assert {text for text in bold - known if f'"{text}"' not in source} == set()


@pytest.mark.parametrize("width", [202, 292, 600])
def test_a_path_is_broken_between_its_folders(width) -> None:
    notes, path = Notes(), "/projects/marsh/ferry/takes of tuesday/clips/walks"
    panels.steps.paragraph(notes, sidebar(width), path, "BLANK1", after="/")
    lines = [text for _, text, _, _ in notes.rows]
    assert " ".join(lines).replace("/ ", "/") == path
    assert len(lines) > 1 or width == 600
    assert all(line.endswith(("/", "of", "takes")) for line in lines[:-1]), lines


def composed_texts(node: ast.AST) -> list[int]:
    """The lines of texts that are put together of words and values."""
    found = [one for one in ast.walk(node) if isinstance(one, ast.JoinedStr)]
    words = [
        "".join(str(part.value) for part in one.values if isinstance(part, ast.Constant)) for one in found
    ]
    return [
        one.lineno
        for one, text in zip(found, words, strict=True)
        if re.search(r"[A-Za-z]{3}([^_a-z]|$)", text)
    ]


def test_texts_of_panels_and_overlays_can_be_looked_up_in_another_language(monkeypatch) -> None:
    """Literals, which Blender looks up itself in panels; those with values in them go through `say`."""
    composed = []
    for path in Path(panels.__file__).parent.glob("*.py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            for one in node.keywords if isinstance(node, ast.Call) else ():
                if one.arg in ("text", "placeholder") and isinstance(one.value, ast.JoinedStr):
                    composed += [(path.name, line) for line in composed_texts(one.value)]
    for path in Path(overlays.__file__).parent.glob("*.py"):
        composed += [
            (path.name, line) for line in composed_texts(ast.parse(path.read_text(encoding="utf-8")))
        ]
    assert composed == []
    assert translations.say("No {} yet", "cut") == "No cut yet"
    german = {"No {} yet": "Noch kein {}"}
    there = SimpleNamespace(
        pgettext_iface=lambda text: german.get(text, text)
    )  # bpy brings no other language
    monkeypatch.setattr(translations, "bpy", SimpleNamespace(app=SimpleNamespace(translations=there)))
    assert translations.say("No {} yet", "cut") == "Noch kein cut"
