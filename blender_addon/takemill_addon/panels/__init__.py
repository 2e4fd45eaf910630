"""The panels of the sidebar, in the order of the work."""

from . import clips, cuts, fit, guide, pack, recipe, repair, take

CLASSES = (
    *take.CLASSES,
    *repair.CLASSES,
    *fit.CLASSES,
    *cuts.CLASSES,
    *clips.CLASSES,
    *pack.CLASSES,
    *guide.CLASSES,
    *recipe.CLASSES,
)
