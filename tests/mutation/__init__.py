"""Random mutants of the host's heart: what a small slip in it would do to the tests. `__main__` tells how to run it."""
