"""Between Blender and arrays: Actions, rigs and scenes read, written, packed and pictured."""
