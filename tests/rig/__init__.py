"""Rigging calculations against published and recomputed values, independent libraries, and their own inverses."""
