"""The marsh dock: planks, water, light, a camera, and everybody standing where a visitor sees them."""

from __future__ import annotations

import bpy
import numpy as np
from ferry_blend import (
    FIRST_FRAME,
    blink_action,
    make_armature,
    make_figure,
    make_mesh,
    suit_bones,
    write_take,
)
from ferry_mesh import Mesh, X, Y, Z, only, point
from ferry_people import courier, ferrywoman, lamplighter
from mathutils import Vector
from takemill.motion import Motion

TAKE = "marsh take"
SUIT = "Suit"


def build(recorded: Motion, seed: int) -> None:
    """Fill the current Blender file with the sample scene."""
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.name = "Marsh ferry"
    scene.render.fps, scene.render.fps_base = round(recorded.rate), 1.0
    scene.frame_start, scene.frame_end = FIRST_FRAME, FIRST_FRAME + len(recorded) - 1
    rng = np.random.default_rng(seed)
    places = {"Ferrywoman": -1.75, "Lamplighter": -0.62, "Courier": 0.45, SUIT: 1.65}
    rigs = {
        "Ferrywoman": make_figure(ferrywoman, "Ferrywoman"),
        "Lamplighter": make_figure(lamplighter, "Lamplighter", face=True),
        "Courier": make_figure(courier, "Courier", scale=0.1),
        SUIT: make_armature(SUIT, suit_bones(recorded)),
    }
    for name, rig in rigs.items():
        rig.location.x = places[name]
        rig.show_in_front = True
    blink_action(bpy.data.objects["Lamplighter body"], rng, 10.0, recorded.rate)
    write_take(TAKE, rigs[SUIT], recorded)
    _dock(rng)
    _light_and_camera(scene)
    bpy.context.view_layer.objects.active = rigs[SUIT]
    rigs[SUIT].select_set(True)
    scene.frame_set(FIRST_FRAME)


def _dock(rng: np.random.Generator) -> None:
    mesh = Mesh()
    still = only("")
    for number in range(15):
        y = -1.6 + 0.30 * number
        length, drop = 3.1 + rng.uniform(-0.10, 0.10), rng.uniform(0.002, 0.010)
        rows = [(point(x, y, -0.03 - drop), Y * 0.20, Z * 0.04) for x in (-length, length)]
        angles = (45, 135, 225, 315)
        rings = [mesh.ring(*row, angles, still) for row in rows]
        mesh.bridge(*rings, "wood")
        for ring in rings:
            mesh.face(ring, "wood")
    for x in (-2.75, 2.75):
        for y in (-1.5, 2.5):
            rows = [(point(x, y, z), X * 0.075, Y * 0.075) for z in (-0.6, 0.42)]
            mesh.tube(rows, 8, "leather", still, (None, point(x, y, 0.46)))
    make_mesh("Dock", mesh, sharp_deg=30)


def _light_and_camera(scene: bpy.types.Scene) -> None:
    sun = bpy.data.objects.new("Evening sun", bpy.data.lights.new("Evening sun", "SUN"))
    sun.data.energy, sun.data.color, sun.data.angle = 3.2, (1.0, 0.86, 0.68), 0.12
    sun.rotation_euler = (np.radians(52), np.radians(8), np.radians(-38))
    fill = bpy.data.objects.new("Sky fill", bpy.data.lights.new("Sky fill", "AREA"))
    fill.data.energy, fill.data.size, fill.data.color = 120, 4.0, (0.70, 0.84, 1.0)
    fill.location = (4.0, -4.0, 3.5)
    fill.rotation_euler = (Vector((0, 0, 0.9)) - fill.location).to_track_quat("-Z", "Y").to_euler()
    camera = bpy.data.objects.new("Camera", bpy.data.cameras.new("Camera"))
    camera.data.lens = 50
    camera.location = (0.9, -7.4, 1.75)
    camera.rotation_euler = (Vector((0.0, 0, 0.83)) - camera.location).to_track_quat("-Z", "Y").to_euler()
    for thing in (sun, fill, camera):
        scene.collection.objects.link(thing)
    scene.camera = camera
    scene.render.resolution_x, scene.render.resolution_y = 1280, 720
    scene.view_settings.view_transform = "AgX"
    world = bpy.data.worlds.new("Marsh sky")
    scene.world = world
    world.use_nodes = True
    world.node_tree.nodes["Background"].inputs["Color"].default_value = (0.42, 0.55, 0.60, 1.0)
    world.node_tree.nodes["Background"].inputs["Strength"].default_value = 0.55
