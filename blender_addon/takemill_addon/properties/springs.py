"""What is kept of a character's springs: chains that swing, and colliders that they cannot pass through."""

from __future__ import annotations

import bpy
from bpy.props import BoolProperty, EnumProperty, FloatProperty, FloatVectorProperty, StringProperty

from takemill.springs.springs_presets import PRESETS

from ..bridge.characters.live_swing import changed
from .overridable import overridable

OWN = "own"
"""The preset of a chain that has numbers of its own."""

_PRESETS = (
    ("tail", "Tail", "It follows the body and comes to rest soon after it"),
    ("ears", "Ears", "Short bones that answer quickly"),
    ("hair", "Hair", "Slow, and pulled down a little"),
    ("strap", "Strap", "It hangs like a rope and hardly remembers its shape"),
    (OWN, "Own Numbers", "The numbers of VRMC_springBone 1.0 below"),
)
assert {word for word, *_ in _PRESETS} == {*PRESETS, OWN}


@overridable
class TAKEMILL_PG_chain(bpy.types.PropertyGroup):
    """Bones that swing, each below the one before; its name is the property group's own name."""

    use: BoolProperty(update=changed, name="Swing", default=True, description="Let this chain swing")
    first: StringProperty(
        update=changed, name="First", description="Where the chain begins, next to the body"
    )
    last: StringProperty(
        update=changed,
        name="Last",
        description="Where it ends; empty for as far down as bones have one child",
    )
    preset: EnumProperty(
        update=changed,
        name="Preset",
        items=_PRESETS,
        default="tail",
        description="How the chain swings after the body",
    )
    stiffness: FloatProperty(
        update=changed, name="Stiffness", default=1.0, min=0.0, soft_max=4.0,
        description="How strongly each bone is pulled back to where the action holds it",
    )  # fmt: skip
    drag: FloatProperty(
        update=changed, name="Drag", default=0.4, min=0.0, max=1.0,
        description="The share of its speed that a sixtieth of a second takes",
    )  # fmt: skip
    gravity: FloatProperty(
        update=changed, name="Gravity", default=0.0, min=0.0, soft_max=1.0,
        description="The pull downwards; 0.163 is the earth's",
    )  # fmt: skip
    gravity_dir: FloatVectorProperty(
        update=changed, name="Direction", default=(0.0, 0.0, -1.0), subtype="DIRECTION",
        description="Where gravity pulls to, as the character sees it: -Z is down",
    )  # fmt: skip
    radius: FloatProperty(
        update=changed, name="Radius", default=0.02, min=0.0, soft_max=0.5, unit="LENGTH",
        description="Size of the ball at each bone's end that colliders push",
    )  # fmt: skip
    collides: BoolProperty(
        update=changed, name="Collide", default=True, description="Let the character's colliders push it"
    )
    only: StringProperty(
        update=changed,
        name="Only",
        description="Names of the colliders that push it, with commas between; empty for all",
    )
    center: StringProperty(
        update=changed,
        name="Center",
        description="A bone against which its speed counts, as the hips, so that the path over the floor "
        "does not move it; empty for the world",
    )


@overridable
class TAKEMILL_PG_collider(bpy.types.PropertyGroup):
    """A ball, capsule or plane that chains cannot pass through; its name is the property group's own name."""

    bone: StringProperty(update=changed, name="Bone", description="The bone that carries it")
    radius: FloatProperty(
        update=changed, name="Radius", default=0.1, min=0.001, soft_max=1.0, unit="LENGTH",
        description="Of the ball or the capsule",
    )  # fmt: skip
    offset: FloatVectorProperty(
        update=changed,
        name="Offset",
        unit="LENGTH",
        description="Its middle, or a capsule's first end, in the bone's own axes",
    )
    capsule: BoolProperty(
        update=changed, name="Capsule", description="Long, from Offset to End; otherwise a ball"
    )
    tail: FloatVectorProperty(
        update=changed, name="End", unit="LENGTH", default=(0.0, 0.2, 0.0),
        description="A capsule's other end, in the bone's own axes",
    )  # fmt: skip
    inside: BoolProperty(
        update=changed, name="Inside", description="Chains stay inside it instead of outside"
    )
    plane: BoolProperty(
        update=changed, name="Plane", description="Flat and endless, through Offset, instead of a ball"
    )
    normal: FloatVectorProperty(
        update=changed, name="Normal", default=(0.0, 0.0, 1.0),
        description="To the side of a plane where chains stay, in the bone's own axes",
    )  # fmt: skip


CLASSES = (TAKEMILL_PG_chain, TAKEMILL_PG_collider)
