"""What is drawn in Blender's editors: `draw` says how an overlay is added."""

from . import draw, feet, findings, floor, ghost, goals, root_path, seam, springs

OVERLAYS = (
    floor.OVERLAY,
    *root_path.OVERLAYS,
    feet.OVERLAY,
    ghost.OVERLAY,
    seam.OVERLAY,
    springs.OVERLAY,
    findings.OVERLAY,
    goals.OVERLAY,
)
"""In the order in which they are drawn: the last lies over the others."""
OF_FACTS = ("feet", "root_path", "floor", "seam", "goals", "time_contacts")
"""The switches of those that need the whole take read."""


def attach() -> None:
    """Let Blender draw them."""
    draw.attach(OVERLAYS)


def detach() -> None:
    """Take them away again."""
    draw.detach()
