"""The panels of the sidebar, in the order of the work."""

from . import (
    characters,
    clips,
    contacts,
    cuts,
    guide,
    manual,
    menus,
    overlays,
    pack,
    presets,
    recipe,
    repair,
    springs,
    take,
)

CLASSES = (
    *take.CLASSES,
    *repair.CLASSES,
    *contacts.CLASSES,
    *springs.CLASSES,
    *cuts.CLASSES,
    *characters.CLASSES,
    *clips.CLASSES,
    *presets.CLASSES,
    *pack.CLASSES,
    *guide.CLASSES,
    *overlays.CLASSES,
    *recipe.CLASSES,
    *menus.CLASSES,
)


def attach() -> None:
    """Add the menus, the folder of our presets, and the context help."""
    presets.attach()
    menus.attach()
    manual.attach()


def detach() -> None:
    """Take them away again."""
    manual.detach()
    menus.detach()
    presets.detach()
