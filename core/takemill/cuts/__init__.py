"""Suggested cuts: guards, the actions between them, and their kinds."""
