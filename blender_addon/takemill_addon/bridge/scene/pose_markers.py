"""Which pose markers show findings; the others are events and the user's own."""

from __future__ import annotations

import bpy


def shows_finding(marker: bpy.types.TimelineMarker) -> bool:
    """Whether a marker was put there for a finding.

    Blender makes a marker's registered properties when they are read, and never frees those of an Action's
    markers: ten lines without this add-on end with "Not freed memory blocks" in 4.5 and 5.2. So only those
    are read that were set.
    """
    return marker.is_property_set("takemill") and marker.takemill.finding
