"""Benchmarks: `python -m tests.bench list` names them. No test asserts a time; these print, a person reads."""
