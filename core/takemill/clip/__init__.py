"""A stretch of a take that becomes a clip: cuts, loops, travel, marks, variants, measures."""
