"""The panels of the sidebar, in the order of the work."""

from . import clips, contacts, cuts, fit, guide, overlays, pack, recipe, repair, springs, take

CLASSES = (
    *take.CLASSES,
    *repair.CLASSES,
    *contacts.CLASSES,
    *fit.CLASSES,
    *springs.CLASSES,
    *cuts.CLASSES,
    *clips.CLASSES,
    *pack.CLASSES,
    *guide.CLASSES,
    *overlays.CLASSES,
    *recipe.CLASSES,
)
