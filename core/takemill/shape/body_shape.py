"""The surface of a character: capsules on its joints, from its mesh or from people's measures.

A trunk is a stack of flat shapes along the spine, each of one capsule from side to side; a neck and a head
are such stacks, too. A limb has two capsules, one after the other; hands and feet have some side by side.
"""

from __future__ import annotations

from dataclasses import replace

from ..base.errors import InputError
from ..body.body_map import BodyMap
from ..body.skeleton import Skeleton
from .body_shape_mesh import shape_of_mesh
from .body_shape_people import shape_of_people
from .capsules import TRUNK, Capsules
from .sitting import find_sit_points
from .skin import Skin


def body_shape(skeleton: Skeleton, body: BodyMap, skin: Skin | None = None) -> Capsules:
    """The surface of a character: of its mesh, and for parts that it does not show, of people's measures.

    Make it once for a character, and keep it: it does not depend on any motion.

    Raises:
        BodyMapError: hips or a leg joint are not mapped.
        InputError: the skin hangs on joints that the skeleton lacks.
    """
    people = shape_of_people(skeleton, body)
    if skin is None or not len(skin.points):
        return people
    if skin.joints.max() >= len(skeleton):
        raise InputError(f"body shape: the skin hangs on joint {skin.joints.max()} of {len(skeleton)}")
    shown = shape_of_mesh(skeleton, body, skin)
    seen = set(shown.parts)
    whole = shown.joined([people.without(seen | (set(TRUNK) if seen & set(TRUNK) else set()))])
    return replace(whole, sitting=find_sit_points(skeleton, body, skin))
