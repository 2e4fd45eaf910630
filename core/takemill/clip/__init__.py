"""A stretch of a take that becomes a clip: root motion, events, variants, faces, measures."""
