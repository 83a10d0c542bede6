"""Checks by programs that others wrote and that know nothing of this project."""
