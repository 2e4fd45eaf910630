"""A motion carried to another build."""
