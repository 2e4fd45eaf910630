"""What panels say: drawn on a layout that takes notes."""

from __future__ import annotations

import inspect
from types import SimpleNamespace

import bpy

ICONS = set(bpy.types.UILayout.bl_rna.functions["label"].parameters["icon"].enum_items.keys())


class Notes:
    """A layout that keeps what is put on it: (operator or property or "", text, icon, whether in alarm)."""

    def __init__(self, rows: list[tuple[str, str, str, bool]] | None = None, alert: bool = False) -> None:
        self.rows = [] if rows is None else rows
        self.alert = alert

    def _part(self, **_: object) -> Notes:
        return Notes(self.rows, self.alert)

    row = column = box = grid_flow = split = _part

    def panel(self, *_: object, **__: object) -> tuple[Notes, Notes]:
        return self._part(), self._part()

    def label(self, text: str = "", icon: str = "NONE", **_: object) -> None:
        assert icon in ICONS
        self.rows.append(("", text, icon, self.alert))

    def operator(
        self, name: str, text: str | None = None, icon: str = "NONE", **_: object
    ) -> SimpleNamespace:
        assert icon in ICONS
        assert hasattr(bpy.ops.takemill, name.removeprefix("takemill."))
        self.rows.append((name, text or "", icon, self.alert))
        return SimpleNamespace()

    def operator_menu_enum(self, name: str, _: str, icon: str = "NONE") -> SimpleNamespace:
        return self.operator(name, icon=icon)

    def separator(self) -> None:
        pass

    def prop(self, owner: bpy.types.bpy_struct, name: str, **_: object) -> None:
        assert name in owner.bl_rna.properties
        self.rows.append((name, "", "NONE", self.alert))

    def prop_search(self, owner: bpy.types.bpy_struct, name: str, *_: object, **__: object) -> None:
        self.prop(owner, name)

    def menu(self, name: str, **_: object) -> None:
        assert hasattr(bpy.types, name)
        self.rows.append((name, "", "NONE", self.alert))

    def template_list(self, name: str, *_: object, **__: object) -> None:
        self.rows.append((name, "", "NONE", self.alert))


class _Panel:
    """A panel as its functions see it, with a layout that takes notes."""

    def __init__(self, kind, layout: Notes) -> None:
        self.kind, self.layout = kind, layout

    def __getattr__(self, name: str):
        found = getattr(self.kind, name)
        return found.__get__(self) if inspect.isfunction(found) else found


def sidebar(width: int) -> SimpleNamespace:
    """The context of a sidebar so wide, in pixels at a resolution scale of 1."""
    return SimpleNamespace(
        scene=bpy.context.scene,
        preferences=SimpleNamespace(system=SimpleNamespace(ui_scale=1.0)),
        region=SimpleNamespace(width=width),
        view_layer=bpy.context.view_layer,
    )


def drawn(panel, armature, whole: bool = False, width: int = 300) -> Notes:
    """What a panel says of an armature and its active Action; `whole`, with what stands above that."""
    notes = Notes()
    context = sidebar(width)
    here = _Panel(panel, notes)
    if whole:
        panel.draw(here, context)
    else:
        panel.draw_action(here, context, armature, armature.animation_data.action)
    return notes


def words(notes: Notes) -> str:
    return " ".join(text for _, text, _, _ in notes.rows if text)


def alarms(notes: Notes) -> str:
    return " ".join(text for _, text, _, alert in notes.rows if alert)


def buttons(notes: Notes) -> dict[str, str]:
    return {name: text for name, text, _, _ in notes.rows if name.startswith("takemill.")}
