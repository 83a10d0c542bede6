"""Members of a gang made to move alike: measured, fitted, written, judged."""
