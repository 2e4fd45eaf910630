"""What Blender's scene offers: Actions, time, markers, editors, what is kept with data; work in steps."""
