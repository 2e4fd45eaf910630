"""The operators, in the order of the work."""

from . import body, clips, cuts, findings, fit, guide, loop, pack, recipe, repair, sheet, thin, variants

CLASSES = (
    *recipe.CLASSES,
    *body.CLASSES,
    *findings.CLASSES,
    *repair.CLASSES,
    *fit.CLASSES,
    *cuts.CLASSES,
    *clips.CLASSES,
    *loop.CLASSES,
    *thin.CLASSES,
    *variants.CLASSES,
    *sheet.CLASSES,
    *pack.CLASSES,
    *guide.CLASSES,
)
