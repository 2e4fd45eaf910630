"""Clip sets: facts, folders, packing, reading back, and the report."""
