"""The generated codec in C: read back by Python, compiled strictly, and what it may use."""
