"""What a person reads in a browser: the parts of a page, plots, the health page."""
