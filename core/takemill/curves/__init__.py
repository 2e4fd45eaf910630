"""Few keys that an animator can edit by hand."""
