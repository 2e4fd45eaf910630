"""A motion carried to another build, and tails that follow by themselves."""
