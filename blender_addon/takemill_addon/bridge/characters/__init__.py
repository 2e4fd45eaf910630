"""Whom takes are fitted to: their skeleton, faces, chains that swing, and their Actions."""
