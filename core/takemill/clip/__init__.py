"""A stretch of a take that becomes a clip: cuts, loops, root motion, events, variants, measures."""
