"""The keys that a clip needs under a stated error, and the values that are written."""
