"""A raw take: its planted feet, what the suit did wrong, and the mending."""
