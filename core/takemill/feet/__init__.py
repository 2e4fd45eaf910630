"""Feet on the floor: when they are planted, how a take drifts under them, and what keeps them there."""
