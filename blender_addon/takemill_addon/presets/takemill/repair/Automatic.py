import bpy

chosen = bpy.context.scene.takemill
chosen.repair_profile = "FOUND"
chosen.repair_path_from = "take"
chosen.repair_amount = 100.0
chosen.repair_frozen = True
chosen.repair_spikes = True
chosen.repair_jitter = True
chosen.repair_dropouts = True
chosen.repair_late_sensors = True
chosen.repair_slips = True
chosen.repair_sensor_heading = True
chosen.repair_calibration = False
chosen.repair_heading = True
chosen.repair_path = True
chosen.repair_floor = True
chosen.repair_pin = True
