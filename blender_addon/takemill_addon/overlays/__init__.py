"""What is drawn in Blender's editors: `draw` says how an overlay is added."""

from . import draw, findings

OVERLAYS = (findings.OVERLAY,)
"""In the order in which they are drawn: the last lies over the others."""


def attach() -> None:
    """Let Blender draw them."""
    draw.attach(OVERLAYS)


def detach() -> None:
    """Take them away again."""
    draw.detach()
