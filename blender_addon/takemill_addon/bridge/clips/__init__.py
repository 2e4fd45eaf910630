"""Clips and their sets: cuts, facts that are kept, seams, packing, the contact sheet."""
