"""A bus as data: what is on it, and what happens when."""
