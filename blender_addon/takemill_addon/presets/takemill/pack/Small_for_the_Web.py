import bpy

chosen = bpy.context.scene.takemill
chosen.set_files = "one"
chosen.set_rate = 30.0
chosen.max_error_mm = 1.0
chosen.set_keys = "linear"
chosen.set_floats = False
chosen.deform_only = True
