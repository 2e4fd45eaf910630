"""Loops: where they are found, how they are closed, gaits in parts and ends that meet a loop."""
