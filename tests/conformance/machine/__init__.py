"""Faults made by machine in the reference firmware, and whether the suite notices them."""
