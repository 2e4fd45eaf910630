"""Takemill's engine: raw motion-capture takes in, clean game clips out; numpy only, never bpy."""

__version__ = "0.1.0"
