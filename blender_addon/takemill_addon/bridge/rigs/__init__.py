"""Armatures as skeletons, evaluated poses, meshes, and the controls of rigs."""
