"""The generated C codec and the reference firmware."""
