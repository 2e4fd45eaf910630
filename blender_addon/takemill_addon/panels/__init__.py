"""The panels of the sidebar, in the order of the work."""

from . import characters, clips, contacts, cuts, guide, overlays, pack, recipe, repair, springs, take

CLASSES = (
    *take.CLASSES,
    *repair.CLASSES,
    *contacts.CLASSES,
    *springs.CLASSES,
    *cuts.CLASSES,
    *characters.CLASSES,
    *clips.CLASSES,
    *pack.CLASSES,
    *guide.CLASSES,
    *overlays.CLASSES,
    *recipe.CLASSES,
)
