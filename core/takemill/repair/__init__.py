"""A raw take repaired, one fault after the other."""
