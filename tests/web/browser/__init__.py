"""A real browser on the page."""
