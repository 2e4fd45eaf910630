import bpy

chosen = bpy.context.scene.takemill
chosen.set_files = "one"
chosen.set_rate = 0.0
chosen.max_error_mm = 0.5
chosen.set_keys = "linear"
chosen.set_floats = True
chosen.deform_only = False
