"""What comes of a run: the report by clause, the runs before, the line in a failed case, what was reached."""
