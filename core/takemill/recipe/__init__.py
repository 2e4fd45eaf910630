"""All settings in one text, and the order of the stages."""
