"""Packing comes with the core's clip sets."""

CLASSES = ()
