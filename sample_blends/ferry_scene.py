"""The marsh dock: planks, water, light, a camera, and everybody standing where a visitor sees them."""

from __future__ import annotations

import bpy
import numpy as np
from ferry_blend import (
    FIRST_FRAME,
    make_figure,
    make_mesh,
    suit_bones,
    write_face,
    write_take,
)
from ferry_courier import courier
from ferry_face import spoken
from ferry_lamplighter import lamplighter
from ferry_mesh import Mesh, X, Y, Z, only, point
from ferry_performer import performer
from ferry_woman import ferrywoman
from mathutils import Vector

from takemill.body.motion import Motion

TAKE, FACE = "marsh take", "lamplighter face"
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
        SUIT: make_figure(performer, SUIT, bones=suit_bones(recorded)),
    }
    for name, rig in rigs.items():
        rig.location.x = places[name]
        rig.show_in_front = True
    words = spoken(np.random.default_rng([seed, 1]), recorded.duration_s)
    write_face(FACE, bpy.data.objects["Lamplighter body"], words, recorded.rate)
    write_take(TAKE, rigs[SUIT], recorded)
    _dock(rng)
    _marsh(rng)
    _light_and_camera(scene)
    bpy.context.view_layer.objects.active = rigs[SUIT]
    rigs[SUIT].select_set(True)
    scene.frame_set(FIRST_FRAME)


def _dock(rng: np.random.Generator) -> None:
    """A pier long enough for the walk."""
    mesh, still = Mesh(), only("")
    for number in range(58):
        y = 2.6 - 0.31 * number
        length, drop = 3.0 + rng.uniform(-0.10, 0.10), rng.uniform(0.0, 0.010)
        rows = [(point(x, y, -0.03 - drop), Y * 0.215, Z * 0.042) for x in (-length, length)]
        rings = [mesh.ring(*row, (45, 135, 225, 315), still) for row in rows]
        mesh.bridge(*rings, "plank")
        for ring in rings:
            mesh.face(ring, "plank")
    for x in (-2.72, 2.72):
        for y in (2.3, -1.9, -6.1, -10.3, -14.5):
            rows = [(point(x, y, z), X * 0.075, Y * 0.075) for z in (-0.9, 0.42)]
            mesh.tube(rows, 8, "leather", still, (None, point(x, y, 0.46)))
    make_mesh("Dock", mesh, sharp_deg=30)


def _marsh(rng: np.random.Generator) -> None:
    """Still water and clumps of reeds."""
    water, reeds, still = Mesh(), Mesh(), only("")
    water.face(
        [water.vertex(point(x, y, -0.45), still) for x, y in ((-60, -40), (60, -40), (60, 60), (-60, 60))],
        "water",
    )
    make_mesh("Water", water)
    for _ in range(42):
        side = rng.choice((-1.0, 1.0))
        clump = point(side * rng.uniform(3.3, 9.0), rng.uniform(-3.0, 9.0), -0.45)
        if rng.random() < 0.5:
            clump = point(rng.uniform(-8, 8), rng.uniform(3.6, 10.0), -0.45)
        for _ in range(5):
            foot = clump + point(*rng.normal(0, 0.16, 2), 0)
            tip = foot + point(*rng.normal(0, 0.14, 2), rng.uniform(0.9, 1.7))
            rows = [(foot + t * (tip - foot), X * r, Y * r) for t, r in ((0.0, 0.020), (0.6, 0.016))]
            reeds.tube(rows, 3, "reed green", still, (foot - 0.01 * Z, tip))
    make_mesh("Reeds", reeds)


def _light_and_camera(scene: bpy.types.Scene) -> None:
    sun = bpy.data.objects.new("Evening sun", bpy.data.lights.new("Evening sun", "SUN"))
    sun.data.energy, sun.data.color, sun.data.angle = 4.2, (1.0, 0.86, 0.68), 0.12
    sun.rotation_euler = (np.radians(52), np.radians(8), np.radians(-38))
    fill = bpy.data.objects.new("Sky fill", bpy.data.lights.new("Sky fill", "AREA"))
    fill.data.energy, fill.data.size, fill.data.color = 160, 4.0, (0.70, 0.84, 1.0)
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
    if world.node_tree is None:  # always there in 5.2, which deprecates use_nodes
        world.use_nodes = True
    world.node_tree.nodes["Background"].inputs["Color"].default_value = (0.50, 0.62, 0.66, 1.0)
    world.node_tree.nodes["Background"].inputs["Strength"].default_value = 0.75
