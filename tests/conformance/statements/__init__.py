"""Every statement of a clause, and the cases that try it."""
