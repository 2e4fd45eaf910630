"""Chains that swing: tails, ears, hair, straps; how they are found, and how they move."""
