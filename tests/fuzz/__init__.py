"""Fuzzing with coverage as the guide: the generated C, the reference firmware, the Python decoder."""
