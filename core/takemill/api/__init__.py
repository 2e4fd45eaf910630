"""The front door: what `takemill.__all__` offers, one file for each group of verbs."""
